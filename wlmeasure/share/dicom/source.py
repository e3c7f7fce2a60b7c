"""The DICOM image that the points of a film lie on: the film itself, or a secondary capture made of it.

A DICOM film is measured on its stored pixel matrix, so its points need no turning. A PNG, TIFF, JPEG or BMP film is measured
upright, its EXIF orientation applied once, and its capture stores the same upright matrix: the points fit that as well.
"""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
from attrs import frozen
from pydicom.dataset import Dataset
from pydicom.uid import UID

from wlmeasure.errors import ShareError
from wlmeasure.image.dicom import read_data_set
from wlmeasure.image.radiograph import DISPLAY_PERCENTILES
from wlmeasure.record.evaluate import CaseResult, FilmResult
from wlmeasure.share.dicom.objects import MAKER, UTF8, equipment, file_meta, header_text, identity, uid_of

__all__ = ["FilmImage", "film_images", "secondary_capture"]

SECONDARY_CAPTURE = "1.2.840.10008.5.1.4.1.1.7"
CAPTURE = "wlmeasure capture 1"  # grows with what is written, not with the program, so that the same film stays the same object
SQUARE_REL = 1e-4  # our parameter: pixels closer to square than this need no aspect ratio


@frozen(eq=False)
class FilmImage:
    """One film of a case as a DICOM image.

    Attributes
    ----------
    film
        The film as measured.
    dataset
        The whole image; the film's own is never written.
    is_capture
        Whether it is a secondary capture made here, which has to be written beside what refers to it.
    """

    film: FilmResult
    dataset: Dataset
    is_capture: bool

    @property
    def uid(self) -> str:
        return str(self.dataset.SOPInstanceUID)

    @property
    def frame(self) -> int | None:
        """Which frame of the image the film is, from 1; None where it has one."""
        return self.film.radiograph.frame

    @property
    def key(self) -> str:
        """What the identifiers of derived objects are made from: the image, and the frame where it has several."""
        return self.uid if self.frame is None else f"{self.uid} frame {self.frame}"

    @property
    def reference(self) -> Dataset:
        """What an object that refers to the image needs of it: whom it is about and its identifiers, nothing else."""
        out = identity(self.dataset)
        for keyword in ("SeriesInstanceUID", "SOPInstanceUID", "SOPClassUID"):
            setattr(out, keyword, str(self.dataset[keyword].value))
        out.Rows, out.Columns, out.SamplesPerPixel = *self.film.radiograph.values.shape, 1
        return out


def film_images(result: CaseResult) -> tuple[FilmImage, ...]:
    """Every film of a case as a DICOM image; captures join the study of the first DICOM film, if there is one.

    Raises
    ------
    ShareError
        Films of different patients, or a film whose header lacks what others refer to it by.
    """
    headers: dict[str, Dataset] = {}
    for film in result.films:
        if film.radiograph.format == "DICOM":
            header = read_data_set(result.case.film_path(film.film), sha256=film.film.sha256)
            _check_identifiers(header, film.film.id)
            headers[film.film.id] = header
    _check_one_patient(headers)
    first = next(iter(headers.values()), None)
    base = _nobody(result) if first is None else identity(first)
    side = "R" if result.tooth.is_right else "L"
    return tuple(
        FilmImage(film, headers[film.film.id], False)
        if film.film.id in headers
        else FilmImage(film, secondary_capture(film, base, side, k), True)
        for k, film in enumerate(result.films, 1)
    )


def _check_identifiers(header: Dataset, film: str) -> None:
    """What others refer to the film by must be there and in its form."""
    for keyword in ("SeriesInstanceUID", "SOPInstanceUID", "SOPClassUID", "StudyInstanceUID"):
        uid = header_text(header, keyword)
        if not uid:
            raise ShareError(f"film {film}: {keyword} must stand in its header: absent; export the film again")
        # A part that begins with a zero breaks the rule too (PS3.5 9.1), but is met with and can be referred to.
        digits = re.fullmatch(r"[0-9.]{1,64}", uid) is not None
        if not digits or (keyword == "SOPClassUID" and UID(uid).type != "SOP Class"):
            what = "a class of the standard" if keyword == "SOPClassUID" else "a unique identifier"
            raise ShareError(f"film {film}: {keyword} must be {what}: {uid!r}; export the film again")


def _check_one_patient(headers: dict[str, Dataset]) -> None:
    seen: dict[tuple[str, ...], str] = {}
    for film, header in headers.items():
        seen[tuple(header_text(header, keyword) for keyword in ("PatientID", "PatientName", "PatientBirthDate"))] = film
    if len(seen) > 1:
        raise ShareError(
            f"films must be of one patient: {' and '.join(seen.values())} name different ones; share them as separate cases"
        )


def _nobody(result: CaseResult) -> Dataset:
    """A study of its own for films that come without a patient: the same for the same first film."""
    study = Dataset()
    study.StudyInstanceUID = uid_of("study", result.case.films[0].sha256)
    return identity(study)


def secondary_capture(film: FilmResult, about: Dataset, side: str, number: int) -> Dataset:
    """A film that is no DICOM image as one (Secondary Capture, PS3.3 A.8): the values and the matrix that are measured on.

    The same film in the same study gives the same object, identifiers included, so that writing it again changes nothing.
    Whether words are burned into the picture is not known, so Burned In Annotation is left out.

    Parameters
    ----------
    film
        The film as measured.
    about
        Patient and study that the capture joins.
    side
        R or L of the patient, from the tooth: teeth are paired.
    number
        Instance number within the study.
    """
    graph = film.radiograph
    values = graph.values
    ratio = film.col_over_row
    whom = (str(about.StudyInstanceUID), str(about.PatientID), str(about.PatientName))
    facts = (*whom, graph.sha256, str(graph.bright_is_dense), f"{ratio:.6f}", side, str(number), CAPTURE)
    out = Dataset()
    out.update(about)
    out.SpecificCharacterSet = UTF8
    out.SOPClassUID = SECONDARY_CAPTURE
    out.SOPInstanceUID = uid_of("capture", *facts)
    out.SeriesInstanceUID = uid_of("capture series", *facts)
    out.Modality, out.ConversionType = "IO", "WSD"
    out.SeriesNumber, out.InstanceNumber = None, number
    out.PatientOrientation = None
    out.Laterality = side
    out.ImageType = ["DERIVED", "SECONDARY"]
    turned = "" if graph.orientation == 1 else f", turned upright by EXIF orientation {graph.orientation}"
    out.DerivationDescription = f"{graph.format} picture{turned}"
    equipment(out, CAPTURE)
    out.SecondaryCaptureDeviceManufacturer = MAKER
    out.SecondaryCaptureDeviceSoftwareVersions = CAPTURE
    if graph.format == "JPEG":  # compressed with loss, and it stays so (PS3.3 C.7.6.1.1.5)
        out.LossyImageCompression, out.LossyImageCompressionMethod = "01", "ISO_10918_1"
    out.Rows, out.Columns = values.shape
    out.SamplesPerPixel = 1
    out.PhotometricInterpretation = "MONOCHROME2" if graph.bright_is_dense else "MONOCHROME1"
    out.PresentationLUTShape = "IDENTITY" if graph.bright_is_dense else "INVERSE"
    out.BitsAllocated = 8 * values.dtype.itemsize
    out.BitsStored = 8 if values.dtype == np.uint8 else max(graph.bits, 8)
    out.HighBit, out.PixelRepresentation = out.BitsStored - 1, 0
    if out.BitsStored > 8:  # so that it is seen: a viewer's guess for 16 bits is often black
        low, high = (float(v) for v in np.percentile(values, DISPLAY_PERCENTILES))
        out.WindowCenter, out.WindowWidth = round((low + high) / 2 + 0.5), max(2, round(high - low + 1))
    if abs(ratio - 1.0) > SQUARE_REL:
        share = Fraction(ratio).limit_denominator(1000)
        out.PixelAspectRatio = [share.denominator, share.numerator]  # vertical, horizontal
    data = values.tobytes()
    out.add_new("PixelData", "OB" if out.BitsAllocated == 8 else "OW", data + b"\0" * (len(data) % 2))
    out.file_meta = file_meta(out)
    return out
