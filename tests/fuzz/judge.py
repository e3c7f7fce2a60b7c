"""One damaged file through the public entry points: opened, refused in one clear line, or a failure that says why.

A pass is: the function returns or raises a WlmeasureError with one printable line; a command ends with 0 or with 1 and
exactly one printable line on stderr that is no fault of the program. Beside it nothing may be written to stderr (codecs of
the libraries do), no warning may leak, no file may appear but the one asked for, and no descriptor may stay open.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import sys
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

from tests.fuzz.corpus import Corpus, bench_case
from tests.fuzz.kinds import Made
from wlmeasure.cli import main
from wlmeasure.errors import WlmeasureError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.image.reading import read
from wlmeasure.record.case import load_case
from wlmeasure.record.members import CONTROLS
from wlmeasure.share.dicom.report_reading import case_to_file, read_report
from wlmeasure.study.path_files import open_paths

NAMES = {
    "dicom": "film.dcm",
    "report": "report.dcm",
    "case": "cases/case.wl.json",
    "structure": "cases/case.wl.json",
    "png": "damaged.png",
    "tiff": "film.tif",
    "jpeg": "film.jpg",
    "bmp": "film.bmp",
    "paths": "paths.wlpaths.json",
}
FORMS = ("sr", "presentation", "secondary", "calibrated", "table", "paths")


class Failure(Exception):  # noqa: N818
    """What a damaged file must not do."""


class Judge:
    """A folder with the films that cases refer to, in which one file after another is tried.

    `slowest` is the longest single call so far, in seconds: the smaller of wall and processor time, so that a busy machine
    does not count.
    """

    def __init__(self, folder: Path, corpus: Corpus) -> None:
        self.folder = folder
        self.slowest = 0.0
        self.slowest_call = ""
        self.calls: list[str] = []
        self._noise = Noise()
        for name, content in corpus.films.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        (folder / "cases").mkdir()
        # What a path of a case may meet: a pipe without a writer, a folder, a link to itself.
        os.mkfifo(folder / "cases" / "fifo")
        (folder / "cases" / "folder").mkdir()
        (folder / "cases" / "loop").symlink_to("loop")
        (folder / "cases" / "film.png").write_bytes(corpus.films["film.png"])
        self._standing = self._tree()

    def close(self) -> None:
        self._noise.close()

    def try_file(self, made: Made) -> bool:
        """Whether the file was opened.

        Raises
        ------
        Failure
            It did what no file may do.
        """
        self.slowest, self.calls = 0.0, []
        path = self.folder / NAMES[made.kind]
        path.write_bytes(made.content)
        out = self.folder / "out"
        out.mkdir()
        descriptors = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0  # noqa: PTH208, PTH112
        try:
            with warnings.catch_warnings(record=True) as leaked:
                warnings.simplefilter("always")
                opened = {
                    "case": self._case,
                    "structure": self._case,
                    "report": self._report,
                    "paths": self._paths,
                }.get(made.kind, self._film)(path, out, made)
            if leaked:
                first = leaked[0]
                at = f"{Path(first.filename).name}:{first.lineno}"
                raise Failure(f"a warning leaked: {first.category.__name__}: {first.message} ({at}) in {self.calls}")
            shutil.rmtree(out)
            path.unlink()
            if self._tree() != self._standing:
                raise Failure(f"files were changed: {sorted(self._tree() ^ self._standing)}")
            if descriptors and len(os.listdir("/proc/self/fd")) != descriptors:  # noqa: PTH208
                raise Failure("a file was left open")
        finally:
            shutil.rmtree(out, ignore_errors=True)
            path.unlink(missing_ok=True)
        return opened

    def _tree(self) -> set[tuple[str, int]]:
        return {(str(path), path.lstat().st_size if path.is_file() else 0) for path in self.folder.rglob("*")}

    # ---- what is tried with each kind ----

    def _film(self, path: Path, out: Path, made: Made) -> bool:
        radiograph: Radiograph | None = self._call("read", read, path)
        draw = made.rng.random
        if draw() < 0.2:
            status = self._command("read", str(path), *(["--json"] if draw() < 0.5 else []))
            if (status == 0) != (radiograph is not None):
                raise Failure(
                    f"`read` ends with {status}, the function {'opened' if radiograph else 'refused'} the file"
                )
        if made.kind == "dicom" and draw() < 0.25:
            self._deidentify(path, out, made)
        if radiograph is not None and draw() < (0.08 if made.kind == "dicom" else 0.03):
            self._measure_on(path, out, made, radiograph)
        return radiograph is not None

    def _measure_on(self, path: Path, out: Path, made: Made, radiograph: Radiograph) -> None:
        """A case on the damaged film that opened: measured, reported, handed on."""
        rows, cols = radiograph.values.shape
        body = bench_case(path.name, made.content, (rows, cols))
        scale, trace = body["films"][0]["scale"][0], body["canals"][0]["traces"][0]
        scale["points_px"] = [[0.04 * rows, 0.2 * cols], [0.9 * rows, 0.21 * cols]]
        trace["path_px"] = [[0.1 * rows, 0.3 * cols], [0.4 * rows, 0.32 * cols], [0.9 * rows, 0.4 * cols]]
        trace["reference_px"] = [0.05 * rows, 0.3 * cols]
        case = self.folder / "of_film.wl.json"
        case.write_text(json.dumps(body))
        try:
            self._commands_of_case(case, out, made, 2)
        finally:
            case.unlink()

    def _report(self, path: Path, out: Path, made: Made) -> bool:
        report = self._call("read_report", read_report, path)
        draw = made.rng.random
        self._call("case_to_file", case_to_file, path, out / "case.wl.json")
        if draw() < 0.5:
            more = [["--json"], ["--case", str(out / "again.wl.json")], []][int(made.rng.integers(3))]
            self._command("read", str(path), *more)
        if draw() < 0.3:
            self._deidentify(path, out, made)
        if draw() < 0.1:
            self._call("read", read, path)
        return report is not None

    def _case(self, path: Path, out: Path, made: Made) -> bool:
        opened = self._call("load_case", load_case, path) is not None  # not kept: the commands have one of their own
        # A case that is refused is refused alike by every command.
        self._commands_of_case(path, out, made, 2 if opened else 1)
        return opened

    def _paths(self, path: Path, out: Path, made: Made) -> bool:
        def features() -> int:
            return sum(1 for _ in open_paths(path).features())

        opened = self._call("open_paths", features)
        if made.rng.random() < 0.3:
            self._command("convert", str(path), "--out", str(out / "shared.wlpaths.jsonl"))
        if made.rng.random() < 0.3:
            self._command("batch", str(path), "--out", str(out / "table.csv"))
        return opened is not None

    def _commands_of_case(self, case: Path, out: Path, made: Made, most: int) -> None:
        draw = made.rng.random
        chosen = int(made.rng.integers(10))
        self._command("measure", str(case), *(["--json"] if draw() < 0.5 else []))
        if most == 1:
            return
        if chosen < 2:
            ending = "pdf" if draw() < 0.5 else "html"
            stops = ["--stops"] if draw() < 0.3 else []
            self._command("report", str(case), "--out", str(out / f"page.{ending}"), *stops)
        elif chosen < 6:
            form = FORMS[int(made.rng.integers(len(FORMS)))]
            self._command("share", str(case), "--as", form, "--out", str(out / "shared"))

    def _deidentify(self, path: Path, out: Path, made: Made) -> None:
        options = [name for name in ("--retain-uids", "--clean-descriptors") if made.rng.random() < 0.3]
        self._command("deidentify", str(path), "--out", str(out / "clean"), "--no-text-in-pixels", *options)

    # ---- how it is tried ----

    def _call(self, name: str, function: Callable[..., Any], *args: object) -> Any:
        """The function's value, or None where it raised one clear line."""
        with self._watched(name):
            try:
                return function(*args)
            except WlmeasureError as error:
                if not str(error).isprintable() or len(str(error)) > 2000:
                    raise Failure(f"{name} says more than one printable line: {str(error)[:300]!r}") from error
                return None
            except Exception as error:
                raise Failure(f"{name}: {_where(error)}") from error

    def _command(self, *words: str) -> int:
        said, told = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO()
        name = " ".join(("wlmeasure", *(word for word in words if "/" not in word)))
        with self._watched(name), redirect_stdout(said), redirect_stderr(told):
            try:
                status = main(list(words))
            except SystemExit as error:
                raise Failure(f"{name} stops with {error.code}: {told.getvalue()}") from error
            except Exception as error:
                raise Failure(f"{name}: {_where(error)}") from error
        said.flush()
        text, lines = said.buffer.getvalue().decode("utf-8"), told.getvalue()
        if status == 0:
            if lines:
                raise Failure(f"{name} ends well and complains: {lines[:300]!r}")
            if "--json" in words:
                json.loads(text, parse_constant=_no_constant)
            if found := re.search(CONTROLS, text.replace("\n", "")):
                raise Failure(f"{name} prints a control: {found.group()!r}")
        elif status != 1 or "fault of the program" in lines or "more memory" in lines:
            raise Failure(f"{name} ends with {status}: {lines[:300]!r}")
        else:
            told_lines = lines.removesuffix("\n").split("\n")
            many = words[0] in ("convert", "batch")  # they say one line for each path that is left out
            each = all(line.startswith("wlmeasure: ") and line.isprintable() for line in told_lines)
            if not each or not lines.endswith("\n") or (len(told_lines) > 1 and not many):
                raise Failure(f"{name} must say one printable line: {lines[:300]!r}")
        return status

    @contextmanager
    def _watched(self, name: str) -> Iterator[None]:
        self.calls.append(name)
        wall, processor = time.perf_counter(), time.process_time()
        yield
        spent = min(time.perf_counter() - wall, time.process_time() - processor)
        if spent > self.slowest:
            self.slowest, self.slowest_call = spent, name
        if noise := self._noise.heard():
            raise Failure(f"{name}: a library wrote to stderr: {noise[:200]!r}")


class Noise:
    """What is written to file descriptor 2 behind Python's back."""

    def __init__(self) -> None:
        import tempfile

        sys.stderr.flush()
        self._file = tempfile.TemporaryFile()  # noqa: SIM115
        self._kept = os.dup(2)
        os.dup2(self._file.fileno(), 2)

    def heard(self) -> str:
        self._file.seek(0)
        text = self._file.read().decode("utf-8", "replace")
        if text:
            self._file.seek(0)
            self._file.truncate()
        return text

    def close(self) -> None:
        os.dup2(self._kept, 2)
        os.close(self._kept)
        self._file.close()


def _no_constant(name: str) -> None:
    raise Failure(f"JSON holds {name}")


def _where(error: BaseException) -> str:
    """The error and the last places in our own code that it came through."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in frames if "/wlmeasure/" in f.filename][-3:]
    last = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}: {str(error)[:200]!r} at {' < '.join(reversed(own))} ({last})"


def digest(content: bytes) -> str:
    """Short name of a file's content."""
    return hashlib.sha256(content).hexdigest()[:12]
