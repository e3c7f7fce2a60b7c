"""Every command that writes, on a disk that becomes full: is anything lost, left half made, or not told?

    python tests/bench/disk_full.py [--only WORD]

Root alone can mount the small disk (a tmpfs). Each command runs with five amounts of room, from none to nearly enough. Asked
is: status 1 and a line that names what could not be written; what stood there before is unchanged; no temporary file is left;
an archive holds what it said it stored; and with room again the same command does its work. Ends with 1 where one does not.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.test_outputs import COMMANDS, READINGS, SAMPLES
from wlmeasure.cli import main as command
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.archive.verify import verify

DISK = 48 * 2**20  # bytes
PAGE = 4096
SHARES = (0.0, 0.2, 0.5, 0.8, 0.95)  # of what the command writes, that there is room for
MORE = {
    "demo": ["demo", "--out", "{out}/demo"],
    "compare": ["compare", "{molar}", "--from", "f2", "--to", "f4", "--out", "{out}/over.svg"],
    "share presentation": ["share", "{molar}", "--as", "presentation", "--film", "f2", "--out", "{out}/p.dcm"],
    "share calibrated": ["share", "{molar}", "--as", "calibrated", "--film", "f2", "--out", "{out}/c.dcm"],
    "record import": ["record", "import", "{out}/export", "--archive", "{out}/second.sqlite"],
    "corrections": ["corrections", "{molar}", "--out", "{out}/corrections.csv"],
    "batch parquet": ["batch", "{out}/a.wlpaths.json", "--out", "{out}/table.parquet"],
    "convert parquet": ["convert", "{out}/a.wlpaths.json", "--out", "{out}/paths.parquet"],
    "observers pdf": ["observers", "{readings}", "--out", "{out}/observers.pdf"],
    "phantom": ["phantom", "{out}/phantoms", "--count", "1"],
    "learn new": ["learn", "new", "{out}/exercise", "--count", "1"],
    "propose": ["propose", "{film}", "--out", "{out}/proposed", "--tooth", "46"],
}


def said(words: list[str]) -> tuple[int, str]:
    """Status of one command and what it told, on stderr and stdout."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = command(words)
        except SystemExit as usage:
            status = int(usage.code or 0)
    return status, out.getvalue() + err.getvalue()


@contextlib.contextmanager
def disk(folder: Path) -> Iterator[Path]:
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK},mode=0700", "tmpfs", folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def files(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def rows_of(path: Path) -> int:
    """Rows of an archive that is what was stored; -1 where it is not."""
    with open_archive(str(path)) as archive:
        return -1 if verify(archive).findings else archive.receipt().rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", help="the commands whose name begins so")
    given = parser.parse_args()
    faults: list[str] = []
    runs = refused = enough = 0
    with tempfile.TemporaryDirectory() as place:
        top = Path(place)
        whole = top / "whole"
        whole.mkdir()
        for name in ("straight", "molar"):
            text = (SAMPLES / "cases" / f"{name}.wl.json").read_text()
            for film in json.loads(text)["films"]:
                target = top / "from" / "cases" / film["path"]
                target.parent.mkdir(parents=True, exist_ok=True)
                (top / "from" / "films").mkdir(exist_ok=True)
                shutil.copyfile(SAMPLES / "cases" / film["path"], target)
            (top / "from" / "cases" / f"{name}.wl.json").write_text(text)
        (top / "readings.csv").write_text(READINGS)
        told = {
            "case": top / "from" / "cases" / "straight.wl.json",
            "molar": top / "from" / "cases" / "molar.wl.json",
            "film": next((top / "from" / "films").glob("ref_straight*")),
            "readings": top / "readings.csv",
        }
        for name, words in (COMMANDS | MORE).items():
            before = files(whole)
            status, line = said([word.format(**told, out=whole) for word in words])
            if status != 0:
                faults.append(f"{name}: fails with room: {line}")
                continue
            made = {path: content for path, content in files(whole).items() if path not in before}
            if given.only and not name.startswith(given.only):
                continue
            need = sum(-(-len(content) // PAGE) * PAGE for content in made.values())
            for share in SHARES:
                with disk(top / "disk") as out:
                    for path, content in before.items():
                        (out / path).parent.mkdir(parents=True, exist_ok=True)
                        (out / path).write_bytes(content)
                    single = len(made) == 1 and words[0] in ("report", "share", "convert", "observers", "compare")
                    if single:
                        (out / next(iter(made))).write_bytes(b"the old one")
                    standing = files(out)
                    room = int(share * need) // PAGE * PAGE
                    ballast = top / "disk" / "ballast"
                    with ballast.open("wb") as file:
                        file.truncate(0)
                        os.posix_fallocate(file.fileno(), 0, max(shutil.disk_usage(out).free - room, PAGE))
                    status, line = said([word.format(**told, out=out) for word in words])
                    runs += 1
                    after = files(out)
                    after.pop("ballast")
                    where = f"{name}, room for {share:.0%} of {need} bytes"
                    if status == 0:
                        enough += 1
                        print(f"{where}: it was enough", flush=True)
                    else:
                        refused += 1
                        print(f"{where}: {line.strip()[:300]}", flush=True)
                        names = {Path(path).name for path in (*made, *before)} | {Path(path).parts[0] for path in made}
                        named = (
                            any(one in line for one in names) or " cannot be written: " in line
                        )  # a name drawn or of its own
                        if status != 1 or "fault of the program" in line or not named:
                            faults.append(f"{where}: status {status}: {line.strip()[:300]}")
                    databases = {path for path in before if ".sqlite" in path}
                    changed = [path for path in standing if after.get(path) != standing[path] and path not in databases]
                    if changed and status != 0:
                        faults.append(f"{where}: changed {changed}")
                    hidden = [path for path in after if path.endswith(".part") or ".part" in Path(path).name]
                    if hidden:
                        faults.append(f"{where}: left {hidden}")
                    for path in after:
                        if path.endswith(".wl.json") and path in made and status != 0:
                            json.loads(after[path])  # whole or not there
                    ballast.unlink()
                    for path in databases:
                        if path.endswith(".sqlite") and rows_of(out / path) != rows_of(whole / path):
                            faults.append(f"{where}: {path} is not what it was")
                    if status == 0 or name in (
                        "deidentify",
                        "demo",
                        "phantom",
                        "learn new",
                        "study init",
                        "record export",
                    ):
                        continue  # done; or it takes a new folder alone
                    again, line = said([word.format(**told, out=out) for word in words])
                    if again != 0:
                        faults.append(f"{where}: with room again: {line.strip()[:300]}")
    print(f"\n{runs} runs: {refused} refused, {enough} had enough; {len(faults)} faults")
    for fault in faults:
        print(f"FAILED: {fault}", file=sys.stderr)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
