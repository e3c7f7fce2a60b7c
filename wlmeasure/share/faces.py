"""Type faces for what a page says: the ones shipped, then those of this computer.

A face is read with HarfBuzz (MIT; its binding uharfbuzz is Apache-2.0), which takes TrueType and PostScript outlines,
collections and pictures in colour alike. Nothing is looked for until a text asks for a letter that no shipped face has.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import uharfbuzz
from attrs import frozen

__all__ = ["BOLD", "REGULAR", "Face", "faces", "shipped_file"]

REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"
ENDINGS = (".ttf", ".otf", ".ttc", ".otc")
MOST_FILES, DEEPEST = 4000, 6  # of a search through folders; our parameters
FONTCONFIG_S = 20.0  # its first answer on a computer may have to read every font
RESTRICTED, WHOLE_OR_PICTURES = 0x0002, 0x0300  # OS/2.fsType: may not be put into a document, or not in part
NO_CHARACTER = 0x10FFFF  # a face that shows this shows everything, as a placeholder


@frozen(eq=False)
class Face:
    """A face that may be drawn into a document; `units` an em, `has` the code points with a glyph of their own."""

    font: uharfbuzz.Font
    units: int
    has: uharfbuzz.Set
    rank: tuple[int, ...] = ()


def shipped_file(name: str) -> Path:
    return Path(__file__).with_name("fonts") / f"{name}.ttf"


def faces(bold: bool) -> Iterator[Face]:
    """Every face in the order in which it is asked; the later ones are opened only where the earlier ones do not do."""
    for name in (BOLD, REGULAR) if bold else (REGULAR,):
        face = _face(str(shipped_file(name)), 0, bold)
        if face is not None:
            yield face
    for path, index in _on_this_computer(bold):
        face = _face(path, index, bold)
        if face is not None:
            yield face


@cache
def _on_this_computer(bold: bool) -> tuple[tuple[str, int], ...]:
    """Files of faces and the index in each, best first: in fontconfig's order, or upright sans serif faces first."""
    listed = _by_fontconfig(bold)
    if listed:
        return listed
    found = []
    for path in _files():
        for index in range(_count(path)):
            face = _face(path, index, bold)
            if face is not None:
                found.append((face.rank, path, index))
    return tuple((path, index) for _, path, index in sorted(found))


def _by_fontconfig(bold: bool) -> tuple[tuple[str, int], ...]:
    program = None if sys.platform in ("win32", "darwin") else shutil.which("fc-match")
    if program is None:
        return ()
    pattern = "sans-serif:bold" if bold else "sans-serif"
    try:
        done = subprocess.run(
            [program, "--sort", "--all", "--format", "%{file}\t%{index}\n", pattern],
            capture_output=True, timeout=FONTCONFIG_S, stdin=subprocess.DEVNULL, check=True,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return ()
    out: dict[tuple[str, int], None] = {}
    for line in os.fsdecode(done.stdout).splitlines():
        path, _, index = line.partition("\t")
        if path.lower().endswith(ENDINGS) and index.isdigit():
            out[path, int(index) & 0xFFFF] = None  # the upper bits name an instance of a variable face
    return tuple(out)[:MOST_FILES]


def _folders() -> tuple[Path, ...]:
    """Where systems keep fonts, for everybody and for this person."""
    home = Path.home()
    if sys.platform == "win32":
        own = Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local")) / "Microsoft" / "Windows"
        return Path(os.environ.get("WINDIR", r"C:\Windows")) / "Fonts", own / "Fonts"
    if sys.platform == "darwin":
        return Path("/System/Library/Fonts"), Path("/Library/Fonts"), home / "Library" / "Fonts"
    shared = Path("/usr/share/fonts"), Path("/usr/local/share/fonts")
    return *shared, home / ".local" / "share" / "fonts", home / ".fonts"


def _files() -> list[str]:
    out: list[str] = []
    for top in _folders():
        for folder, inner, names in os.walk(top):
            within = Path(folder)
            inner[:] = sorted(inner) if len(within.relative_to(top).parts) < DEEPEST else []
            out += [str(within / name) for name in sorted(names) if name.lower().endswith(ENDINGS)]
            if len(out) >= MOST_FILES:
                return out[:MOST_FILES]
    return out


def _count(path: str) -> int:
    try:
        return min(int(uharfbuzz.Face(uharfbuzz.Blob.from_file_path(path)).count), 64)
    except (OSError, uharfbuzz.HarfBuzzError):
        return 0


@cache
def _face(path: str, index: int, bold: bool) -> Face | None:
    """The face, or None where it cannot be read or may not be drawn into a document."""
    try:
        face = uharfbuzz.Face(uharfbuzz.Blob.from_file_path(path), index)
        table = bytes(face.reference_table("OS/2").data)
        has = face.unicodes
    except (OSError, uharfbuzz.HarfBuzzError):
        return None
    if not face.glyph_count or NO_CHARACTER in has:
        return None
    kind = int.from_bytes(table[8:10], "big")
    if kind & 0x000F == RESTRICTED or kind & WHOLE_OR_PICTURES:
        return None
    font = uharfbuzz.Font(face)
    weight = int.from_bytes(table[4:6], "big") or 400
    for axis in face.axis_infos:
        if axis.tag == "wght" and bold:
            font.set_variations({"wght": 700.0})
            weight = 700
    serif = table[32:33] == b"\x02" and 2 <= int.from_bytes(table[33:34], "big") <= 10  # PANOSE
    one_width = table[32:33] == b"\x02" and table[35:36] == b"\x09"
    italic = int.from_bytes(table[62:64], "big") & 1
    narrow = int.from_bytes(table[6:8], "big") not in (0, 5)
    rank = (italic, int(one_width), int(narrow), int(serif), abs(weight - (700 if bold else 400)))
    return Face(font, face.upem, has, rank)
