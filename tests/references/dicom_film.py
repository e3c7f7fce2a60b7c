"""A small intra-oral DICOM film for tests, and the bytes of its file in a transfer syntax."""

from io import BytesIO

import numpy as np
import pydicom
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

ROWS, COLS = 900, 700
STORED = np.random.default_rng(5).integers(0, 4096, (ROWS, COLS), dtype=np.uint16)


def film(pixels=STORED, bits=12, **attributes):
    """Intra-oral image for presentation, 36 mm x 21 mm; attributes of None are left out."""
    dataset = pydicom.Dataset()
    dataset.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    dataset.SOPInstanceUID = "1.2.3.4"
    dataset.Modality = "IO"
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 8 * pixels.dtype.itemsize, bits, bits - 1
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    dataset.ImagerPixelSpacing = [0.040, 0.030]
    dataset.add_new("PixelData", "OB" if pixels.dtype.itemsize == 1 else "OW", pixels.tobytes())
    for keyword, value in attributes.items():
        if value is None:
            delattr(dataset, keyword)
        else:
            setattr(dataset, keyword, value)
    return dataset


def written(dataset, syntax=ExplicitVRLittleEndian):
    """The bytes of a file; pixel data that are to be compressed come compressed already."""
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    sink = BytesIO()
    pydicom.dcmwrite(sink, dataset, enforce_file_format=True)
    return sink.getvalue()


def code(value, scheme="SCT", meaning="tooth"):
    """The item of a code sequence."""
    item = pydicom.Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def table(entries, first=0, bits=16, name=""):
    """The item of a Modality LUT or VOI LUT Sequence."""
    item = pydicom.Dataset()
    item.add_new("LUTDescriptor", "SS" if first < 0 else "US", [len(entries) % 65536, first, bits])
    item.LUTExplanation = name
    item.add_new("LUTData", "OW", np.asarray(entries, "<u2").tobytes())
    return item
