"""Writing one structured report and reading one compressed film, each beside the libraries alone, in turn, in one process.

    python tests/bench/dicom.py [--runs N]

Report: ours beside the least that highdicom needs for the same numbers; goal 0.5 s. Printed besides: which part of our time
is spent inside highdicom, by the profiler. Film: `read` of 1.8 megapixels of 12 bits in JPEG Lossless (made here by dcmtk's
dcmcjpeg from a sample film), with its SHA-256 and every check, beside pydicom with GDCM; goal 1.3 times that.
"""

from __future__ import annotations

import argparse
import cProfile
import io
import pstats
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import highdicom as hd
import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sr.coding import Code

from wlmeasure.image import read
from wlmeasure.record.case import load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.dicom.objects import dicom_bytes
from wlmeasure.share.dicom.source import film_images
from wlmeasure.share.dicom.structured_report import structured_report

CASE = Path(__file__).resolve().parents[2] / "sample_images" / "cases" / "curved_out_of_plane.wl.json"
GOAL_S = 0.5
GOAL_RATIO = 1.3
FILM_SHAPE = (1500, 1200)
MM = Code("mm", "UCUM", "millimeter")
LENGTH = Code("121211", "DCM", "Path length")
TOOTH = Code("57826002", "SCT", "tooth")
CANAL = Code("3262009", "SCT", "Root canal of tooth")


def minimal(image, lines, numbers) -> bytes:
    """A report of as many groups and numbers on the same polylines, by highdicom alone; no codes, checks or case of ours."""

    def number(line):
        along = None
        if line is not None:
            source = hd.sr.SourceImageForRegion(image.SOPClassUID, image.SOPInstanceUID)
            along = [hd.sr.CoordinatesForMeasurement("POLYLINE", line[:, ::-1] + 0.5, source)]
        return hd.sr.Measurement(
            LENGTH,
            20.0,
            MM,
            method=CANAL,
            properties=hd.sr.MeasurementProperties(
                upper_measurement_uncertainty=0.1, lower_measurement_uncertainty=0.1
            ),
            algorithm_id=hd.sr.AlgorithmIdentification("a", "1"),
            referenced_coordinates=along,
        )

    groups = [
        hd.sr.MeasurementsAndQualitativeEvaluations(
            tracking_identifier=hd.sr.TrackingIdentifier(uid=hd.UID(), identifier="group"),
            finding_type=CANAL,
            finding_sites=[hd.sr.FindingSite(TOOTH)],
            measurements=[number(line) for line in chosen],
        )
        for chosen in ([lines[0], None, None], [lines[1], *[lines[1][[0, -1]]] * 4], [None] * (numbers - 8))
    ]
    device = hd.sr.DeviceObserverIdentifyingAttributes(uid=hd.UID())
    observer = hd.sr.ObserverContext(Code("121007", "DCM", "Device"), device)
    content = hd.sr.MeasurementReport(hd.sr.ObservationContext(observer_device_context=observer), CANAL, groups)
    report = hd.sr.ComprehensiveSR([image], content[0], hd.UID(), 1, hd.UID(), 1, "m")
    sink = io.BytesIO()
    report.save_as(sink, enforce_file_format=True)
    return sink.getvalue()


def timed(call: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds of one call."""
    wall, processor = time.perf_counter(), time.process_time()
    call()
    return time.perf_counter() - wall, time.process_time() - processor


def share_of_highdicom(call: Callable[[], object]) -> float:
    """Part of the time of a call that lies between entering highdicom from our code and leaving it again."""
    profile = cProfile.Profile()
    profile.runcall(call)
    stats = pstats.Stats(profile)
    inside = 0.0
    for (file, _, _), (_, _, _, _, callers) in stats.stats.items():
        if "highdicom" in file:
            inside += sum(times[3] for (caller, _, _), times in callers.items() if "wlmeasure" in caller)
    return inside / stats.total_tt


def compressed_film(folder: Path) -> Path | None:
    """A film of 1500 x 1200 pixels in JPEG Lossless (1.2.840.10008.1.2.4.70); None where dcmtk is not installed."""
    encoder = shutil.which("dcmcjpeg")
    if encoder is None:
        return None
    picture = read(load_case(CASE).film_path(load_case(CASE).films[0])).values >> np.uint16(4)
    picture = np.hstack([picture, picture[:, : FILM_SHAPE[1] - picture.shape[1]]])
    assert picture.shape == FILM_SHAPE, picture.shape
    film = Dataset()
    film.SOPClassUID, film.SOPInstanceUID = "1.2.840.10008.5.1.4.1.1.1.3", "1.2.3.4"
    film.StudyInstanceUID, film.SeriesInstanceUID = "1.2.3.5", "1.2.3.6"
    film.Rows, film.Columns = FILM_SHAPE
    film.SamplesPerPixel, film.PhotometricInterpretation, film.PixelRepresentation = 1, "MONOCHROME2", 0
    film.BitsAllocated, film.BitsStored, film.HighBit = 16, 12, 11
    film.ImagerPixelSpacing, film.WindowCenter, film.WindowWidth = [0.02, 0.02], 2000, 4000
    film.PixelData = picture.tobytes()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
    plain, packed = folder / "plain.dcm", folder / "packed.dcm"
    pydicom.dcmwrite(plain, film, enforce_file_format=True)
    subprocess.run([encoder, "+e1", str(plain), str(packed)], check=True, capture_output=True)
    assert np.array_equal(read(packed).values, picture)
    return packed


def read_film(runs: int) -> None:
    """`read` of a compressed film beside pydicom with GDCM."""
    with tempfile.TemporaryDirectory() as folder:
        path = compressed_film(Path(folder))
        if path is None:
            print("reading a film: not run, dcmcjpeg is not installed (Debian and Ubuntu: dcmtk)")
            return

        def ours() -> object:
            return read(path)

        def peer() -> object:
            dataset = pydicom.dcmread(path)
            dataset.pixel_array_options(decoding_plugin="gdcm")
            return dataset.pixel_array

        timed(ours), timed(peer)
        pairs = [(timed(ours), timed(peer)) for _ in range(runs)]
        size = path.stat().st_size
        megapixels = FILM_SHAPE[0] * FILM_SHAPE[1] / 1e6
        print(
            f"reading {megapixels:.1f} megapixels in JPEG Lossless, {size} bytes, {runs} runs in turn; goal {GOAL_RATIO}"
        )
        print_pairs(pairs, "pydicom and gdcm")


def print_pairs(pairs: list[tuple[tuple[float, float], tuple[float, float]]], peer: str) -> None:
    """Medians of both, and of the ratio of each pair."""
    for k, what in enumerate(("wall", "processor")):
        mine, theirs = median(a[k] for a, _ in pairs), median(b[k] for _, b in pairs)
        ratio = median(a[k] / b[k] for a, b in pairs)
        print(f"  {what:<10} ours {1e3 * mine:7.1f} ms   {peer} {1e3 * theirs:7.1f} ms   ratio {ratio:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Time of one structured report and of one compressed film.")
    parser.add_argument("--runs", type=int, default=11, help="pairs of runs (%(default)s)")
    runs = parser.parse_args().runs
    read_film(runs)
    result = evaluate(load_case(CASE))
    made = {"made_at": "2026-11-25T10:30:00", "program": "bench"}

    def ours() -> bytes:
        return dicom_bytes(structured_report(result, film_images(result), **made))

    image = film_images(result)[0].reference
    lines = [np.asarray(result.films[0].calibration.lines[0].path_px), result.canals[0].traces[0].path.path_px]

    def peer() -> bytes:
        return minimal(image, lines, 11)

    first, _ = timed(ours)
    timed(peer)
    pairs = [(timed(ours), timed(peer)) for _ in range(runs)]
    print(f"one report of {len(ours())} bytes, {runs} runs in turn; goal {1e3 * GOAL_S:.0f} ms")
    print_pairs(pairs, "minimal highdicom")
    print(f"  the first one in a process takes {1e3 * first:.0f} ms (code tables are read)")
    print(f"  inside highdicom: {100.0 * share_of_highdicom(ours):.0f} % of ours, by the profiler")


if __name__ == "__main__":
    main()
