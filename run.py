"""Set up and run wlmeasure from a fresh checkout. Needs Python 3.11 or newer and nothing else.

    python3 run.py demo [ARGS...]     the demonstration; ARGS go to `wlmeasure demo`
    python3 run.py test [ARGS...]     style, types, walls between the rooms, then the tests; ARGS go to pytest
    python3 run.py bench [ARGS...]    the benchmarks; ARGS go to tests/bench/run.py
    python3 run.py evidence [ARGS...] figures beside their goals, as a page; ARGS go to tests/bench/evidence.py
    python3 run.py wheel [DIR]        the wheel, the same bytes each time, and the list of what it needs (SBOM) beside it

All goes into .venv beside this file, in the versions that constraints.txt pins, and only files of the hashes that stand in
pins/. A second run installs nothing.
On Debian and Ubuntu missing system packages are installed too, where the caller is root or sudo asks no password.
"""

from __future__ import annotations

import ctypes
import hashlib
import importlib.util
import os
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = str(BIN / ("python.exe" if os.name == "nt" else "python"))
STAMP = VENV / "installed.txt"
OLDEST_PYTHON = (3, 11)
SOURCE_DATE = "1580601600"  # 2020-02-02
MOST_WORKERS = 4  # of the whole test run; each may take 3 GB
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")

# Shared libraries that the wheels expect of the system, with the Debian and Ubuntu package of each. Newer releases
# call one libglib2.0-0t64; it provides the old name. Found by `readelf -d` on the wheels and trials on a bare system.
OPENCV_LIBRARIES = {"libGL.so.1": "libgl1", "libgthread-2.0.so.0": "libglib2.0-0", "libxcb.so.1": "libxcb1"}
QT_LIBRARIES = {
    "libEGL.so.1": "libegl1",
    "libX11-xcb.so.1": "libx11-xcb1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libfontconfig.so.1": "libfontconfig1",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-shm.so.0": "libxcb-shm0",
    "libxcb-sync.so.1": "libxcb-sync1",
    "libxcb-xfixes.so.0": "libxcb-xfixes0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
}
# Outside judges of the files that are written. Tests that ask them are skipped where they cannot be had.
TEST_PROGRAMS = {
    "dciodvfy": "dicom3tools",
    "dsrdump": "dcmtk",
    "Orthanc": "orthanc",
    "/usr/share/orthanc/plugins/libOrthancDicomWeb.so": "orthanc-dicomweb",
}
# Debian starts a service when it installs it. Its own means against that is a file policy-rc.d, which here holds for the
# one command that follows.
NO_SERVICES = """
policy=/usr/sbin/policy-rc.d
if [ -e $policy ]; then exec "$@"; fi
trap 'rm -f $policy' EXIT
trap 'exit 130' INT TERM HUP
printf '#!/bin/sh\\nexit 101\\n' > $policy && chmod 755 $policy && "$@"
"""
SYSTEM_PATH = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin"])  # not on every ordinary user's PATH
MESA_LIBRARIES = {"libGLX_mesa.so.0": "libglx-mesa0"}  # draws in software on the virtual display


def say(text: str) -> None:
    """Print one line at once, ahead of what the programs started next will print."""
    print(f"run.py: {text}", flush=True)


def needs_display() -> bool:
    """Whether the viewer needs a virtual display: a Linux machine without a screen."""
    return sys.platform.startswith("linux") and not os.environ.get("DISPLAY")


def missing_from_system(viewer: bool, database: bool) -> dict[str, str]:
    """What the system lacks (a library, a program or a Python module), each with its Debian package."""
    missing = {}
    if importlib.util.find_spec("ensurepip") is None:
        missing["the Python module ensurepip"] = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    if sys.platform.startswith("linux"):
        libraries = OPENCV_LIBRARIES | (QT_LIBRARIES if viewer else {})
        if viewer and needs_display():
            libraries |= MESA_LIBRARIES
            if shutil.which("Xvfb") is None:
                missing["the program Xvfb"] = "xvfb"
        # Where there is no apt, tests that need a server are skipped and say so; Debian keeps its programs off the PATH.
        server = shutil.which("initdb") or any(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
        if database and not server and shutil.which("apt-get") is not None:
            missing["the server PostgreSQL"] = "postgresql"
        for library, package in libraries.items():
            try:
                ctypes.CDLL(library)
            except OSError:
                missing[library] = package
    return missing


def as_root() -> list[str] | None:
    """What stands before a command that needs root: nothing for root, sudo if it asks no password, None if neither."""
    if os.geteuid() == 0:
        return []
    sudo = ["sudo", "-n"]
    allowed = shutil.which("sudo") and subprocess.run([*sudo, "true"], capture_output=True).returncode == 0
    return sudo if allowed else None


def apt_get(root: list[str], install: list[str], services: bool = True) -> bool:
    """Bring apt's lists up to date and carry out `install`, an apt-get command; whether both went well.

    Without `services` none that comes along is started.
    """
    quiet = [*root, "env", "DEBIAN_FRONTEND=noninteractive", *(() if services else ("sh", "-c", NO_SERVICES, "sh"))]
    return all(
        subprocess.run([*quiet, *command], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL).returncode == 0
        for command in (["apt-get", "update", "-qq"], [*install[:2], "-qq", *install[2:]])
    )


def install_system_packages(viewer: bool, database: bool) -> None:
    """Install with apt what the system lacks; where that may not be done, say what to do and stop."""
    missing = missing_from_system(viewer, database)
    if not missing:
        return
    lacks = f"this machine lacks {', '.join(missing)}"
    if shutil.which("apt-get") is None:
        sys.exit(f"run.py: {lacks}. Install them with the system's own package manager, then run this again.")
    install = ["apt-get", "install", "-y", "--no-install-recommends", *sorted(missing.values())]
    by_hand = f"run this once, then run.py again:\n    sudo apt-get update && sudo {shlex.join(install)}"
    root = as_root()
    if root is None:
        sys.exit(f"run.py: {lacks}, and installing needs root; {by_hand}")
    say(f"{lacks}; installing {' '.join(sorted(missing.values()))}")
    if not apt_get(root, install):
        sys.exit(f"run.py: apt-get failed (its words are above). Mend that, or {by_hand}")
    importlib.invalidate_caches()
    if still := missing_from_system(viewer, database):
        sys.exit(f"run.py: this Python ({sys.executable}) still lacks {', '.join(still)}; try /usr/bin/python3 run.py")


def missing_test_programs() -> dict[str, str]:
    """What of the outside judges is not there, each with its Debian package."""
    there = (
        Path(name).exists() if name.startswith("/") else shutil.which(name, path=SYSTEM_PATH) for name in TEST_PROGRAMS
    )
    return {name: package for (name, package), found in zip(TEST_PROGRAMS.items(), there, strict=True) if not found}


def offer_test_programs() -> None:
    """Install the programs that only some tests ask, where apt and root are at hand; else say what is skipped."""
    missing = missing_test_programs()
    if not missing:
        return
    packages = sorted(missing.values())
    if shutil.which("apt-get") is not None and (root := as_root()) is not None:
        say(f"installing {' '.join(packages)} for the tests")
        apt_get(root, ["apt-get", "install", "-y", "--no-install-recommends", *packages], services=False)
        if "orthanc" in packages and shutil.which("update-rc.d", path=SYSTEM_PATH):  # the tests start their own
            subprocess.run([*root, "update-rc.d", "orthanc", "disable"], capture_output=True)
    if still := missing_test_programs():
        say(f"without {', '.join(still)} (Debian and Ubuntu: {' '.join(still.values())}) some tests are skipped")


def pip_install(*what: str, python: str = PYTHON) -> None:
    """Install into an environment, nothing but what is named."""
    options = ["--quiet", "--disable-pip-version-check", "--no-build-isolation", "--no-deps"]
    if subprocess.run([python, "-m", "pip", "install", *options, *what], cwd=ROOT).returncode != 0:
        sys.exit(
            "run.py: pip could not install the packages (its words are above). Most often the package index is out of "
            "reach, which pip may call missing versions (where it speaks of hashes, a file is not the one that was pinned: "
            "do not go on with it): check the network or the proxy, or set "
            "PIP_INDEX_URL to a mirror or PIP_FIND_LINKS to a folder of wheels, then run this again."
        )


def set_up(extra: str) -> None:
    """Bring .venv to what pyproject.toml and constraints.txt ask for, `extra` included; do nothing where it is so."""
    version = "{}.{}".format(*sys.version_info)
    place = f"{ROOT} {version}"
    hashes = ("pins/build.txt", f"pins/{extra or 'run'}.txt")
    inputs = [
        (ROOT / name).read_bytes() for name in ("pyproject.toml", *sorted(map(str, (ROOT / "pins").glob("*.txt"))))
    ]
    digest = hashlib.sha256(b"\0".join(inputs)).hexdigest()
    installed = STAMP.read_text("utf-8").splitlines() if STAMP.exists() else []
    if installed[:2] == [place, digest] and extra in ("", *installed[2:]):
        return
    say(f"setting up {VENV}, about a minute" + (" (two with the viewer)" if extra else ""))
    probe = "import pip, sys; print('{}.{}'.format(*sys.version_info))"
    found = subprocess.run([PYTHON, "-c", probe], capture_output=True, text=True) if Path(PYTHON).exists() else None
    sound = found is not None and found.stdout.strip() == version and installed[:1] in ([], [place])
    STAMP.unlink(missing_ok=True)
    if not sound and subprocess.run([sys.executable, "-m", "venv", "--clear", str(VENV)]).returncode != 0:
        sys.exit(f"run.py: {sys.executable} could not make the virtual environment {VENV} (its words are above).")
    # pip takes no hashes for a folder: first all that is somebody else's, each by its hash, then ourselves from what is here.
    for name in hashes:
        pip_install("--require-hashes", "--requirement", name)
    pip_install("--no-index", "--editable", ".")
    STAMP.write_text("\n".join([place, digest, extra]), "utf-8")


@contextmanager
def displays(count: int = 1) -> Iterator[dict[str, str]]:
    """Environment for programs that draw: where there is no screen, with virtual ones that end with the block.

    A window has the keyboard only where no other takes it, so tests that run side by side need a screen each: all are named
    in `TEST_DISPLAYS`, from which tests/conftest.py takes.
    """
    if not needs_display():
        yield dict(os.environ)
        return
    with ExitStack() as screens:
        names = [screens.enter_context(virtual_screen()) for _ in range(count)]
        yield {**os.environ, "DISPLAY": names[0], "TEST_DISPLAYS": " ".join(names), "QT_QPA_PLATFORM": "xcb"}


@contextmanager
def virtual_screen() -> Iterator[str]:
    """The name of a new virtual screen, which ends with the block."""
    reading, writing = os.pipe()
    screen = ["-displayfd", str(writing), "-screen", "0", "1600x1200x24", "-nolisten", "tcp", "-noreset"]
    # In a session of its own, so that Ctrl-C ends the tests before it ends their screen.
    server = subprocess.Popen(
        ["Xvfb", *screen],
        pass_fds=[writing],
        start_new_session=True,
        stdin=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        os.close(writing)
        with os.fdopen(reading) as answer:
            number = answer.readline().strip()  # Xvfb itself picks a free display and answers when it is ready
        if not number:
            sys.exit("run.py: Xvfb, the virtual display, did not start; try `Xvfb :99` to see why")
        yield f":{number}"
    finally:
        server.terminate()
        server.wait()


def run_tests(arguments: Sequence[str]) -> int:
    """Run every check, also after one that failed, so that one run shows all; pytest's closing line comes last."""
    checks = {
        "ruff check": [str(BIN / "ruff"), "check"],
        "ruff format": [str(BIN / "ruff"), "format", "--check"],
        "mypy": [PYTHON, "-m", "mypy"],
        "lint-imports": [str(BIN / "lint-imports")],
    }
    failed = []
    for name, command in checks.items():
        say(name)
        if subprocess.run(command, cwd=ROOT).returncode != 0:
            failed.append(name)
    workers = 1
    if not arguments and needs_display():  # on a person's own screen windows would take each other's keyboard
        workers = min(os.cpu_count() or 1, MOST_WORKERS)
        # A file's tests stay together, for they share windows and servers.
        arguments = ["--numprocesses", str(workers), "--dist", "loadfile"]
    say("pytest")
    with displays(workers) as environment:
        if workers > 1:  # each has a processor of its own; threads of several libraries would stand in each other's way
            environment |= dict.fromkeys(THREADS, "1")
        status = subprocess.run([PYTHON, "-m", "pytest", *arguments], cwd=ROOT, env=environment).returncode
    if failed:
        print(f"run.py: failed before the tests: {', '.join(failed)}", file=sys.stderr)
    return status or int(bool(failed))


def build_wheel(folder: Path) -> int:
    """The wheel and, beside it, what it needs with versions and hashes (CycloneDX), by a tool in its own environment."""
    tools = VENV / "release"
    bin_folder = tools / BIN.name
    if subprocess.run([sys.executable, "-m", "venv", str(tools)]).returncode != 0:
        sys.exit(f"run.py: {sys.executable} could not make the virtual environment {tools} (its words are above).")
    pip_install("--require-hashes", "--requirement", "pins/release.txt", python=str(bin_folder / Path(PYTHON).name))
    # The same time in every file, whoever builds when: that of hatchling's own default.
    environment = {"SOURCE_DATE_EPOCH": SOURCE_DATE, **os.environ}
    options = ["--quiet", "--disable-pip-version-check", "--no-build-isolation", "--no-deps", "--no-index"]
    made = subprocess.run([PYTHON, "-m", "pip", "wheel", *options, "-w", str(folder), "."], cwd=ROOT, env=environment)
    wheels = sorted(folder.glob("wlmeasure-*.whl"), key=lambda path: path.stat().st_mtime)
    if made.returncode != 0 or not wheels:
        return 1
    wheel = wheels[-1]
    listed = wheel.with_suffix(".cdx.json")
    command = [str(bin_folder / "cyclonedx-py"), "requirements", "pins/user.txt", "--pyproject", "pyproject.toml"]
    done = subprocess.run([*command, "--output-reproducible", "-o", str(listed)], cwd=ROOT).returncode
    if done == 0:
        print(f"{wheel}\n{listed}\nsha256 {hashlib.sha256(wheel.read_bytes()).hexdigest()}")
    return done


def main(arguments: Sequence[str]) -> int:
    """Carry out one command and return its exit status."""
    command, rest = (arguments[0], arguments[1:]) if arguments else ("", [])
    if command not in ("demo", "test", "bench", "evidence", "wheel"):
        asked = command in ("-h", "--help")
        print(__doc__, file=sys.stdout if asked else sys.stderr)
        return 0 if asked else 2
    if sys.version_info[:2] < OLDEST_PYTHON:
        return run_with_newer_python(arguments)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    install_system_packages(viewer=command not in ("demo", "wheel"), database=command == "test")
    if command == "test":
        offer_test_programs()
    set_up("" if command in ("demo", "wheel") else "test")
    if command == "wheel":
        return build_wheel(Path(rest[0] if rest else "dist").resolve())
    if command == "demo":
        return subprocess.run([str(BIN / "wlmeasure"), "demo", *rest]).returncode
    if command == "test":
        return run_tests(rest)
    with displays() as environment:
        script = str(ROOT / "tests" / "bench" / ("run.py" if command == "bench" else "evidence.py"))
        return subprocess.run([PYTHON, script, *rest], cwd=ROOT, env=environment).returncode


def run_with_newer_python(arguments: Sequence[str]) -> int:
    """Hand over to a newer Python on the PATH; where there is none, say what to do."""
    for minor in range(OLDEST_PYTHON[1], 20):
        found = shutil.which(f"python3.{minor}")
        # Tried, not only found: version managers put names on the PATH that answer "not installed".
        if found and subprocess.run([found, "-c", ""], capture_output=True).returncode == 0:
            return subprocess.run([found, __file__, *arguments]).returncode
    sys.exit(
        "run.py: needs Python 3.11 or newer; this is {}.{} and none is on the PATH. Install one (on Ubuntu 22.04: "
        "sudo apt-get install python3.11 python3.11-venv) and run this again.".format(*sys.version_info)
    )


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
