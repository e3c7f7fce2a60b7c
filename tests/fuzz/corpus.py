"""The files that damage begins with: made by our own writers and by the encoders of others, the same on every run.

Films are small, so that twenty thousand of them take minutes; the case files are the samples' and one of a small film.
"""

from __future__ import annotations

import hashlib
import io
import json
import struct
import tempfile
import warnings
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pydicom
from attrs import frozen
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    RLELossless,
)

from tests.fuzz.dicom_mutations import LENGTH_AS_IT_IS
from tests.fuzz.elements import File, find, parse, split
from tests.fuzz.raster_mutations import EXIF, chunk, chunks
from wlmeasure.record.case import case_from_json, load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.hand_on import share_files

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
ROWS, COLS = 480, 300
STORED = np.random.default_rng(11).integers(900, 3000, (ROWS, COLS), dtype=np.uint16)
MADE = {"made_at": "2026-11-25T10:30:00", "program": "wlmeasure 0.1.0"}
COMPRESSED = {  # through GDCM, where the extra is installed
    "lossless": "JPEGLosslessProcess14_1",
    "ls": "JPEGLSLossless",
    "j2k": "JPEG2000Lossless",
}


@frozen(eq=False)
class Corpus:
    """Seeds by kind: DICOM ones as trees, all others as bytes; `films` are the files that case files refer to."""

    dicom: tuple[tuple[str, File], ...]
    reports: tuple[tuple[str, File], ...]
    rasters: dict[str, tuple[tuple[str, bytes], ...]]
    cases: tuple[tuple[str, bytes], ...]
    paths: tuple[tuple[str, bytes], ...]
    films: dict[str, bytes]


def film(pixels: np.ndarray[Any, Any] = STORED, **attributes: object) -> Dataset:
    """An intra-oral film with sequences, private elements, tables and an overlay in its header."""
    out = Dataset()
    out.SpecificCharacterSet = "ISO_IR 100"
    out.ImageType = ["ORIGINAL", "PRIMARY", ""]
    out.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    out.SOPInstanceUID, out.StudyInstanceUID, out.SeriesInstanceUID = "1.2.3.4.1", "1.2.3.4.2", "1.2.3.4.3"
    out.StudyDate, out.StudyTime, out.StudyID, out.AccessionNumber = "20261101", "101500", "7", "A17"
    out.Modality, out.PresentationIntentType = "IO", "FOR PRESENTATION"
    out.Manufacturer, out.StationName = "Sensor works", "ROOM2"
    out.ReferringPhysicianName, out.PatientName, out.PatientID = "Vogt^Ada", "Bär^Käthe", "P-0017"
    out.PatientBirthDate, out.PatientSex = "19700203", "F"
    out.SeriesNumber, out.InstanceNumber = 1, 1
    out.PatientOrientation, out.ImageLaterality = ["A", "F"], "R"
    site = Dataset()
    site.CodeValue, site.CodingSchemeDesignator, site.CodeMeaning = "866005003", "SCT", "Mandibular right first molar"
    out.PrimaryAnatomicStructureSequence = [site]
    reference = Dataset()
    reference.ReferencedSOPClassUID, reference.ReferencedSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.3", "1.2.3.4.9"
    reference.PurposeOfReferenceCodeSequence = [site]
    out.SourceImageSequence = [reference, reference]
    out.ImagerPixelSpacing, out.PixelSpacing = [0.040, 0.030], [0.036, 0.027]
    out.PixelSpacingCalibrationType, out.PixelSpacingCalibrationDescription = "FIDUCIAL", "file of 21 mm"
    out.EstimatedRadiographicMagnificationFactor = 1.11
    out.PixelIntensityRelationship, out.PixelIntensityRelationshipSign = "LIN", -1
    out.RescaleSlope, out.RescaleIntercept, out.RescaleType = 1, 0, "US"
    out.PresentationLUTShape, out.LossyImageCompression, out.BurnedInAnnotation = "IDENTITY", "00", "NO"
    out.WindowCenter, out.WindowWidth = [1500, 800], [3000, 100]
    out.Rows, out.Columns = pixels.shape
    out.SamplesPerPixel, out.PhotometricInterpretation, out.PixelRepresentation = 1, "MONOCHROME2", 0
    out.BitsAllocated = 8 * pixels.dtype.itemsize
    out.BitsStored = 12 if out.BitsAllocated == 16 else 8
    out.HighBit = out.BitsStored - 1
    block = out.private_block(0x0099, "SENSOR WORKS", create=True)
    block.add_new(0x01, "LO", "a private word")
    block.add_new(0x02, "SQ", [site])
    out.add_new("PixelData", "OW" if out.BitsAllocated == 16 else "OB", pixels.tobytes())
    for keyword, value in attributes.items():
        setattr(out, keyword, value)
    return out


def encoded(dataset: Dataset, syntax: str = ExplicitVRLittleEndian) -> bytes:
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = syntax
    sink = io.BytesIO()
    pydicom.dcmwrite(sink, dataset, enforce_file_format=True)
    return sink.getvalue()


def tree(content: bytes, *, explicit: bool = True, little: bool = True, deflated: bool = False) -> File:
    """A file in explicit little endian as a tree, to be written in the encoding given."""
    meta, body = split(content)
    length = find(meta, (0x0002, 0x0000))
    assert length is not None
    length.value = LENGTH_AS_IT_IS
    return File(meta, parse(body), explicit, little, deflated)


def _other_encoding(syntax: str, **how: bool) -> File:
    made = tree(encoded(film()), **how)
    element = find(made.meta, (0x0002, 0x0010))
    assert element is not None
    element.value = syntax.encode() + b"\0" * (len(syntax) % 2)
    return made


def _dicom() -> tuple[tuple[str, File], ...]:
    seeds = {
        "plain": tree(encoded(film())),
        "8 bit": tree(encoded(film((STORED >> 4).astype(np.uint8), PhotometricInterpretation="MONOCHROME1"))),
        "signed": tree(encoded(film(STORED.astype(np.int16), PixelRepresentation=1))),
        "implicit": _other_encoding(ImplicitVRLittleEndian, explicit=False),
        "big endian": _other_encoding(ExplicitVRBigEndian, little=False),
        "deflated": _other_encoding(DeflatedExplicitVRLittleEndian, deflated=True),
    }
    packed = film()
    packed.file_meta = FileMetaDataset()
    packed.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    packed.compress(RLELossless, generate_instance_uid=False)
    seeds["run length"] = tree(encoded(packed, RLELossless))
    eight = film((STORED >> 4).astype(np.uint8))
    from pydicom.encaps import encapsulate

    eight.PixelData = encapsulate([cv2.imencode(".jpg", STORED.astype(np.uint8))[1].tobytes()])
    eight["PixelData"].is_undefined_length = True
    seeds["jpeg baseline"] = tree(encoded(eight, "1.2.840.10008.1.2.4.50"))
    seeds |= _by_gdcm(encoded(film()))
    return tuple(seeds.items())


def _by_gdcm(content: bytes) -> dict[str, File]:
    try:
        import gdcm
    except ImportError:
        return {}
    out = {}
    with tempfile.TemporaryDirectory() as name:
        source, target = Path(name, "in.dcm"), Path(name, "out.dcm")
        source.write_bytes(content)
        for key, syntax in COMPRESSED.items():
            reader, change, writer = gdcm.ImageReader(), gdcm.ImageChangeTransferSyntax(), gdcm.ImageWriter()
            reader.SetFileName(str(source))
            if not reader.Read():
                continue
            change.SetTransferSyntax(gdcm.TransferSyntax(getattr(gdcm.TransferSyntax, syntax)))
            change.SetInput(reader.GetImage())
            if not change.Change():
                continue
            writer.SetFileName(str(target))
            writer.SetFile(reader.GetFile())
            writer.SetImage(change.GetOutput())
            if writer.Write():
                # Written once more by pydicom, so that no name of the day is in it.
                dataset = pydicom.dcmread(target)
                pixels = dataset.PixelData
                clean = film()
                clean.PixelData = pixels
                clean["PixelData"].is_undefined_length = True
                out[key] = tree(encoded(clean, dataset.file_meta.TransferSyntaxUID))
    return out


def bench_case(path: str, content: bytes, shape: tuple[int, int] = (ROWS, COLS)) -> dict[str, Any]:
    """A case of one canal on the small film."""
    return {
        "schema": "wlmeasure-case/1",
        "tooth": "46",
        "case_id": "b1",
        "films": [
            {
                "id": "f1",
                "path": path,
                "sha256": hashlib.sha256(content).hexdigest(),
                "rows": shape[0],
                "cols": shape[1],
                "scale": [
                    {
                        "kind": "known_file",
                        "points_px": [[20, 50], [220, 52.5], [420, 50]],
                        "trace_kind": "path",
                        "known_length_mm": 20.0,
                        "known_length_std_mm": 0.05,
                    }
                ],
            }
        ],
        "canals": [
            {
                "name": "MB",
                "reference_point": "mesiobuccal cusp",
                "traces": [
                    {
                        "film": "f1",
                        "reference_px": [20, 60],
                        "path_px": [[40, 60], [150, 62], [250, 66], [350, 80], [450, 104]],
                        "apical_end": "radiographic apex",
                    }
                ],
                "electronic_readings": [{"length_mm": 21.5, "mark": "foramen"}] * 3,
                "decision": {"length_mm": 20.5, "by": "Dr Quill", "at": "2026-11-25T10:30", "reason": "agreed"},
            }
        ],
        "entries": [
            {
                "id": "e1",
                "kind": "decided working length",
                "at": "2026-11-25T10:30",
                "by": "Dr Quill",
                "canal": "MB",
                "reference_point": "mesiobuccal cusp",
                "length_mm": 20.5,
            }
        ],
    }


def _reports() -> tuple[tuple[str, File], ...]:
    try:
        import highdicom  # noqa: F401
    except ImportError:
        return ()
    seeds = []
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        folder = Path(name)
        content = encoded(film())
        (folder / "film.dcm").write_bytes(content)
        result = evaluate(case_from_json(bench_case("film.dcm", content), folder=folder))
        for form in ("sr", "presentation", "calibrated"):
            made = share_files(result, form, folder / f"{form}.dcm", **MADE)[0][1]
            seeds.append((form, tree(made)))
        molar = evaluate(load_case(SAMPLES / "cases" / "straight.wl.json"))
        seeds.append(("sr of a sample", tree(share_files(molar, "sr", folder / "r.dcm", **MADE)[0][1])))
    return (*seeds, *seeds[:1] * 3)  # most of all the report of the small film


def _paths() -> tuple[tuple[str, bytes], ...]:
    from wlmeasure.share.paths import paths_text

    cases = ("molar", "two_films")
    return tuple(
        (name, paths_text(evaluate(load_case(SAMPLES / "cases" / f"{name}.wl.json"))).encode()) for name in cases
    )


def _png_of(picture: np.ndarray[Any, Any], *extra: tuple[bytes, bytes]) -> bytes:
    content = cv2.imencode(".png", picture)[1].tobytes()
    parts = chunks(content)
    parts[1:1] = list(extra)
    return content[:8] + b"".join(chunk(*part) for part in parts)


def png_by_hand(rows: int, cols: int, depth: int, colour: int, channels: int, *, interlace: int = 0) -> bytes:
    """A PNG of noise in any colour type; an interlaced one is written as its seven passes (W3C PNG 8)."""
    rng = np.random.default_rng(depth * 10 + colour)
    steps = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1))
    raw = b""
    for first_row, first_col, row_step, col_step in steps if interlace else ((0, 0, 1, 1),):
        high, wide = len(range(first_row, rows, row_step)), len(range(first_col, cols, col_step))
        if high and wide:
            raw += b"".join(b"\0" + rng.bytes((wide * depth * channels + 7) // 8) for _ in range(high))
    palette = chunk(b"PLTE", bytes(v for k in range(256) for v in (k, k, k))) if colour == 3 else b""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", cols, rows, depth, colour, 0, 0, interlace))
    return b"\x89PNG\r\n\x1a\n" + head + palette + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")


def _rasters() -> dict[str, tuple[tuple[str, bytes], ...]]:
    import tifffile
    from PIL import Image

    grey8, grey16 = (STORED[:90, :70] >> 4).astype(np.uint8), STORED[:90, :70]

    def pillow(kind: str, picture: np.ndarray[Any, Any] = grey8, mode: str | None = None, **options: object) -> bytes:
        sink = io.BytesIO()
        image = Image.fromarray(picture)
        (image.convert(mode) if mode else image).save(sink, kind, **options)
        return sink.getvalue()

    def tiff(picture: np.ndarray[Any, Any], **options: Any) -> bytes:
        sink = io.BytesIO()
        tifffile.imwrite(sink, picture, metadata=None, software=None, **options)
        return sink.getvalue()

    planes = np.stack([grey16, grey16], axis=-1)
    return {
        "png": (
            ("8", _png_of(grey8, (b"pHYs", struct.pack(">IIB", 3937, 3937, 1)), (b"eXIf", EXIF))),
            ("16", _png_of(grey16)),
            ("16 interlaced", png_by_hand(40, 30, 16, 0, 1, interlace=1)),
            ("1", png_by_hand(40, 30, 1, 0, 1)),
            ("palette", png_by_hand(40, 30, 4, 3, 1)),
            ("grey and alpha", png_by_hand(40, 30, 16, 4, 2)),
            ("colour", _png_of(np.stack([grey8] * 3, axis=-1))),
        ),
        "tiff": (
            ("8", tiff(grey8)),
            ("16 big endian", tiff(grey16, byteorder=">")),
            ("strips of 7 rows, deflated", tiff(grey16, compression="zlib", rowsperstrip=7, predictor=True)),
            ("lzw", pillow("TIFF", compression="tiff_lzw")),
            ("packbits", pillow("TIFF", compression="packbits")),
            ("tiles", tiff(grey16, tile=(32, 32))),
            ("bigtiff", tiff(grey16, bigtiff=True)),
            ("two pages", tiff(np.stack([grey8, grey8]))),
            ("white is zero", tiff(grey8, photometric="miniswhite")),
            ("alpha", tiff(planes, photometric="minisblack", extrasamples=["unassalpha"])),
            ("jpeg inside", pillow("TIFF", compression="jpeg")),
            ("fax", pillow("TIFF", mode="1", compression="group4")),
        ),
        "jpeg": (
            ("baseline", pillow("JPEG", quality=90)),
            ("progressive", pillow("JPEG", progressive=True)),
            ("restarts", pillow("JPEG", restart_marker_rows=1)),
            ("exif, colour", pillow("JPEG", mode="RGB", exif=b"Exif\0\0" + EXIF)),
        ),
        "bmp": (
            ("palette", pillow("BMP")),
            ("24", pillow("BMP", mode="RGB")),
            ("32", pillow("BMP", mode="RGBA")),
            ("1", pillow("BMP", mode="1")),
            ("run length", _run_length_bmp(grey8)),
        ),
    }


def _run_length_bmp(picture: np.ndarray[Any, Any]) -> bytes:
    """An 8-bit run-length BMP (BI_RLE8) by hand; runs of one value of each row."""
    rows, cols = picture.shape
    body = b"".join(bytes((cols, int(row[0]), 0, 0)) for row in picture[::-1]) + b"\0\1"
    palette = b"".join(bytes((k, k, k, 0)) for k in range(256))
    start = 54 + len(palette)
    head = b"BM" + struct.pack("<IHHI", start + len(body), 0, 0, start)
    return head + struct.pack("<IiiHHIIiiII", 40, cols, rows, 1, 8, 1, len(body), 2835, 2835, 256, 0) + palette + body


@cache
def corpus() -> Corpus:
    """Every seed; takes a few seconds."""
    small = _png_of(STORED)
    bench = json.dumps(bench_case("film.png", small), indent=1).encode()
    samples = [(path.name.split(".")[0], path.read_bytes()) for path in sorted((SAMPLES / "cases").glob("*.wl.json"))]
    films = {f"films/{path.name}": path.read_bytes() for path in sorted((SAMPLES / "films").glob("*.png"))}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Corpus(
            dicom=_dicom(),
            reports=_reports(),
            rasters=_rasters(),
            # Cases of samples take 0.3 s each to measure, the small one a tenth of it.
            cases=(*(("bench", bench),) * 6, *samples),
            paths=_paths(),
            films={"film.png": small, **films},
        )
