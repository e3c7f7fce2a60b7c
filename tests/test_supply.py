"""What is installed: by which hashes, under which licences; the wheel is the same bytes whoever builds it when."""

import hashlib
import os
import re
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PINS = ROOT / "pins"
PERMISSIVE = re.compile(
    r"MIT|BSD|Apache|PSF|ISC|MPL|Mozilla Public License|Python Software Foundation|Zlib|CC0|HPND|Unlicense",
    re.IGNORECASE,
)
COPYLEFT = re.compile(r"GPL|GNU|Affero|SSPL|Commercial", re.IGNORECASE)
# Used as libraries that anybody may replace, as the LGPL asks; offered under it beside the GPL.
LGPL = {"pyside6-essentials", "shiboken6"}
ELSEWHERE = {
    "appnope",
    "colorama",
    "pywin32",
    "pywin32-ctypes",
}  # of other systems: BSD-2, BSD-3, PSF, BSD-3 (from memory)


def canonical(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned(path):
    """{name: (version, hashes)} of a file of pins."""
    found = {}
    for block in path.read_text().replace("\\\n", " ").splitlines():
        if block.strip() and not block.startswith("#"):
            name, version = re.match(r"([A-Za-z0-9_.-]+)==([^ ;]+)", block).groups()
            found[canonical(name)] = (version, re.findall(r"--hash=sha256:([0-9a-f]{64})(?= |$)", block))
    return found


@pytest.mark.parametrize("name", ["build", "run", "user", "test", "release"])
def test_every_pin_has_hashes_and_no_address(name):
    text = (PINS / f"{name}.txt").read_text()
    assert "://" not in text
    assert "--index" not in text
    assert all(hashes for _, hashes in pinned(PINS / f"{name}.txt").values())


def test_pins_and_constraints_say_the_same_versions():
    constraints = dict(line.split("==") for line in (ROOT / "constraints.txt").read_text().split() if "==" in line)
    versions = {canonical(name): version for name, version in constraints.items()}
    for name in ("build", "run", "user", "test"):
        for package, (version, _) in pinned(PINS / f"{name}.txt").items():
            assert versions.get(package) == version, (name, package)
    assert set(pinned(PINS / "run.txt")) <= set(pinned(PINS / "user.txt")) <= set(pinned(PINS / "test.txt"))


def licence_of(name):
    said = distribution(name).metadata
    classifiers = [
        one.split("::")[-1].strip() for one in said.get_all("Classifier") or [] if one.startswith("License ::")
    ]
    named = said.get("License-Expression") or " / ".join(one for one in classifiers if one != "OSI Approved")
    return named or (said.get("License") or "").strip().split("\n")[0]


def test_every_licence_of_what_a_user_installs(capsys):
    """Listed, and none that would bind a user's own work: the libraries of Qt are taken under the LGPL."""
    licences = {}
    for name in pinned(PINS / "user.txt"):
        try:
            licences[name] = licence_of(name)
        except PackageNotFoundError:
            assert name in ELSEWHERE, name
    with capsys.disabled():
        if os.environ.get("WLMEASURE_LICENCES"):
            print("\n" + "\n".join(f"{name:28}{licence}" for name, licence in sorted(licences.items())))
    for name, licence in licences.items():
        assert PERMISSIVE.search(licence) or name in LGPL, (name, licence)
        if COPYLEFT.search(licence):
            assert name in LGPL, (name, licence)
            assert "LGPL" in licence, (name, licence)


def test_two_wheels_are_one(tmp_path):
    """Built from two copies at two times: one hash."""
    import shutil

    hashes = set()
    for number, when in enumerate((0, 1_700_000_000)):
        copy = tmp_path / f"copy{number}"
        copy.mkdir()
        for name in ("wlmeasure", "plugins", "sample_images"):
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copyfile(ROOT / name, copy / name)
        for path in copy.rglob("*"):
            os.utime(path, (when, when))
        code = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"
        environment = os.environ | {"SOURCE_DATE_EPOCH": "1580601600"}
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / f"out{number}")], cwd=copy, check=True, env=environment
        )
        (wheel,) = (tmp_path / f"out{number}").glob("*.whl")
        hashes.add(hashlib.sha256(wheel.read_bytes()).hexdigest())
    assert len(hashes) == 1
