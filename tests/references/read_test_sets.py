"""Every file of the test sets that come with pydicom, read, and its pixels held against a decoder that was not ours.

    python tests/references/read_test_sets.py [--json]

Prints one line a file: transfer syntax, what `read` made of it, which decoder we used, which other one was asked, and
whether every pixel of every frame is equal. Sets: the files of `pydicom` (test_files, charset_files) and of `pydicom-data`;
both lie on disk, nothing is fetched. We decode by pydicom with pillow, pyjpegls, its own run-length decoder, or GDCM. So the
other one is GDCM's own image reader wherever we did not use GDCM, and dcmtk (dcmdjpeg, dcmdjpls, dcmdrle, dcmconv) where
we did, or where GDCM's reader gives up. Exit status 1 where a file ended in a traceback or a pixel differs.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import data_store
import numpy as np
import pydicom
import pydicom.data
from attrs import asdict, frozen
from pydicom.uid import UID

from wlmeasure.errors import FrameError, ImageError
from wlmeasure.image import read
from wlmeasure.image.codec_messages import codec_messages
from wlmeasure.image.decoding import Layout, decoders_of

SETS = {
    "pydicom": Path(pydicom.data.__file__).parent / "test_files",
    "charset": Path(pydicom.data.__file__).parent / "charset_files",
    "pydicom-data": Path(data_store.__file__).parent / "data",
}
DCMTK = {"1.2.840.10008.1.2.5": "dcmdrle", "1.2.840.10008.1.2.4.80": "dcmdjpls", "1.2.840.10008.1.2.4.81": "dcmdjpls"}
NATIVE = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2", "1.2.840.10008.1.2.1.99")


@frozen
class Row:
    """One file: what came of it; `equal` is None where no other decoder was asked, and `peer` then says why."""

    name: str
    syntax: str
    opened: bool
    result: str
    ours: str = ""
    peer: str = ""
    equal: bool | None = None


def files() -> dict[str, Path]:
    """Every file of the sets by its set and name."""
    return {
        f"{name}/{path.relative_to(folder).as_posix()}": path
        for name, folder in SETS.items()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix not in (".py", ".pyc")
    }


def frames_of(path: Path) -> list[object]:
    """Every frame of a file; ImageError where it cannot be read."""
    try:
        return [read(path)]
    except FrameError as error:
        return [read(path, frame=k) for k in range(1, error.frames + 1)]


def row_of(name: str, path: Path) -> Row:
    """Read one file and compare it."""
    syntax = syntax_of(path)
    label = UID(syntax).name if syntax else "no DICOM file"
    try:
        found = frames_of(path)
    except ImageError as error:
        return Row(name, label, False, str(error))
    first = found[0]
    rows, cols = first.values.shape
    words = f"{rows} x {cols}, {first.bits} bit" + (f", {len(found)} frames" if len(found) > 1 else "")
    words += "" if first.bright_is_dense else ", dark is dense"
    if first.format != "DICOM":
        return Row(name, first.format, True, words, peer="no DICOM file")
    layout = Layout(rows, cols, 1, first.values.dtype.itemsize * 8, first.bits, first.bits - 1, False, len(found), "")
    ours = decoders_of(syntax, layout)[0]
    ends = []
    for peer, decode in ((GDCM, by_gdcm), (dcmtk_of(syntax), by_dcmtk)):
        if peer == GDCM and ours == "gdcm":
            continue
        if peer == "":
            ends.append("dcmtk has no decoder")
            continue
        if peer != GDCM and shutil.which(peer) is None:
            ends.append(f"{peer} is not installed")
            continue
        try:
            theirs = decode(path, peer)
        except Exception as error:  # another decoder's trouble is no result of ours
            ends.append(f"{peer}: {' '.join(str(error).split())[:60]}")
            continue
        equal = len(theirs) == len(found) and all(
            np.array_equal(frame.values, other) for frame, other in zip(found, theirs, strict=True)
        )
        return Row(name, label, True, words, ours, peer, equal)
    return Row(name, label, True, words, ours, "none: " + "; ".join(ends))


GDCM = "gdcm.ImageReader"


def syntax_of(path: Path) -> str:
    """Transfer syntax of a file; empty where it is no DICOM file."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            dataset = pydicom.dcmread(path, stop_before_pixels=True)
            return str(dataset.file_meta.TransferSyntaxUID)
        except Exception:
            return ""


def by_gdcm(path: Path, _: str) -> list[np.ndarray]:
    """Every frame as GDCM's own reader gives it: stored values; of colour the luminance, a palette looked up by GDCM."""
    import gdcm

    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    with codec_messages([]):
        if not reader.Read():
            raise ValueError("cannot read the file")
        image = reader.GetImage()
        if str(image.GetPhotometricInterpretation()).strip() == "PALETTE COLOR":
            look_up = gdcm.ImageApplyLookupTable()
            look_up.SetInput(image)
            if not look_up.Apply():
                raise ValueError("cannot look up the palette")
            image = look_up.GetOutput()
        content = image.GetBuffer().encode("utf-8", "surrogateescape")
    form = image.GetPixelFormat()
    if form.GetBitsAllocated() not in (8, 16):
        raise ValueError(f"{form.GetBitsAllocated()} bits allocated")
    kind = f"{'i' if form.GetPixelRepresentation() else 'u'}{form.GetBitsAllocated() // 8}"
    sizes = list(image.GetDimensions())
    cols, rows = sizes[:2]
    count = sizes[2] if len(sizes) > 2 else 1
    samples = form.GetSamplesPerPixel()
    values = np.frombuffer(content, kind).reshape(count, -1)
    if samples == 3:
        planar = image.GetPlanarConfiguration()
        shaped = values.reshape(count, 3, rows, cols) if planar else values.reshape(count, rows, cols, 3)
        channels = np.moveaxis(shaped, 1, -1) if planar else shaped
        values = luminance(channels, str(image.GetPhotometricInterpretation()).strip())
    return [stored_bits(frame.reshape(rows, cols), form.GetBitsStored()) for frame in values]


def luminance(channels: np.ndarray, photometric: str) -> np.ndarray:
    """Luminance of (..., 3) channels: the first where it is stored, else PS3.3 C.7.6.3.1.2 from red, green and blue."""
    if photometric in ("YBR_FULL", "YBR_FULL_422"):
        return channels[..., 0]
    mixed = np.tensordot(channels.astype(np.int64), [299, 587, 114], 1)
    return ((2 * mixed + 1000) // 2000).astype(channels.dtype)


def by_dcmtk(path: Path, program: str) -> list[np.ndarray]:
    """Every frame as dcmtk decompresses it; only the raw bytes of its uncompressed file are taken."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.dcm"
        # Colours as they are stored: dcmtk would turn luminance and colour differences into red, green and blue.
        options = {"dcmconv": ["+te"], "dcmdjpeg": ["+cn"]}.get(program, [])
        done = subprocess.run([program, *options, str(path), str(out)], capture_output=True, text=True)
        if done.returncode != 0:
            raise ValueError(done.stderr)
        dataset = pydicom.dcmread(out)
        count = int(dataset.get("NumberOfFrames") or 1)
        if int(dataset.SamplesPerPixel) == 3:
            size = count * dataset.Rows * dataset.Columns * 3
            if dataset.BitsAllocated != 8 or len(dataset.PixelData) < size:
                raise ValueError("colour in another layout")
            stored = np.frombuffer(dataset.PixelData, np.uint8, size)
            if dataset.get("PlanarConfiguration"):
                channels = np.moveaxis(stored.reshape(count, 3, dataset.Rows, dataset.Columns), 1, -1)
            else:
                channels = stored.reshape(count, dataset.Rows, dataset.Columns, 3)
            return list(luminance(channels, str(dataset.PhotometricInterpretation)))
        shape = count, int(dataset.Rows), int(dataset.Columns)
        if dataset.BitsAllocated == 1:
            bits = np.unpackbits(np.frombuffer(dataset.PixelData, np.uint8), bitorder="little")
            return list(bits[: int(np.prod(shape))].reshape(shape))
        kind = f"<{'i' if dataset.PixelRepresentation else 'u'}{dataset.BitsAllocated // 8}"
        values = np.frombuffer(dataset.PixelData, kind, int(np.prod(shape))).reshape(shape)
        return [stored_bits(frame, int(dataset.BitsStored)) for frame in values]


def stored_bits(values: np.ndarray, bits: int) -> np.ndarray:
    """The low `bits` bits with their sign, by shifting them up and down again."""
    spare = 8 * values.dtype.itemsize - bits
    shifted = np.right_shift(np.left_shift(values, spare), spare) if spare else values
    return shifted.astype(np.int16) if values.dtype == np.int8 else shifted


def dcmtk_of(syntax: str) -> str:
    """The program of dcmtk that writes a file of that syntax uncompressed; it has none for JPEG 2000."""
    if syntax in NATIVE:
        return "dcmconv"
    return "" if UID(syntax).name.startswith(("JPEG 2000", "High-Throughput")) else DCMTK.get(syntax, "dcmdjpeg")


def rows() -> Iterator[Row]:
    """A row a file."""
    for name, path in files().items():
        yield row_of(name, path)


def main() -> int:
    parser = argparse.ArgumentParser(description="Read the test sets of pydicom and compare pixels.")
    parser.add_argument("--json", action="store_true", help="print JSON, one object a line")
    as_json = parser.parse_args().json
    bad, opened, equal, alone = 0, 0, 0, 0
    for row in rows():
        if as_json:
            print(json.dumps(asdict(row)))
        else:
            verdict = {True: "equal", False: "DIFFERENT", None: "not compared"}[row.equal]
            told = f"{row.ours} / {row.peer}: {verdict}" if row.opened else "refused"
            print(f"{row.name} | {row.syntax} | {told} | {row.result}")
        opened += row.opened
        equal += row.equal is True
        alone += row.opened and row.equal is None
        bad += row.equal is False
    if not as_json:
        print(f"{opened} opened: {equal} equal, {alone} not compared, {bad} different")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
