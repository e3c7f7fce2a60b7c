"""A small share of the fuzzer's files, and every failure that it found, as the smallest file that shows it.

The share is another one than the figures of the README come from: `python -m tests.fuzz.run --seed 31 --count 20000`.
"""

import copy
import json
import os
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pydicom
import pytest

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from tests.fuzz import dicom_mutations, raster_mutations  # noqa: E402
from tests.fuzz.corpus import bench_case, corpus, encoded, film  # noqa: E402
from tests.fuzz.dicom_mutations import written  # noqa: E402
from tests.fuzz.elements import Element, find, parse, put, split, write  # noqa: E402
from tests.fuzz.kinds import SHARES, make  # noqa: E402
from tests.fuzz.raster_mutations import chunk, chunks  # noqa: E402
from wlmeasure.cli import main  # noqa: E402
from wlmeasure.errors import ImageError, ShareError  # noqa: E402
from wlmeasure.image.reading import read  # noqa: E402
from wlmeasure.record.case import case_digest, case_from_json  # noqa: E402
from wlmeasure.share.deidentify import deidentify_files  # noqa: E402
from wlmeasure.share.dicom.report_reading import read_report  # noqa: E402

SHARE = 160


@pytest.mark.skipif(sys.platform != "linux", reason="memory and descriptors are read from /proc")
def test_no_file_of_a_small_share_fails():
    """In a process of its own, since a decoder may end it; every kind is among the files, and some of them open."""
    command = [sys.executable, "-m", "tests.fuzz.run", "--seed", "7", "--count", str(SHARE)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "plugins")))}
    run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment)
    assert run.returncode == 0, run.stdout + run.stderr
    found = re.findall(r"^(\w+) +(\d+) +(\d+) +(\d+) +(\d+) ", run.stdout, re.M)
    rows = {name: [int(number) for number in numbers] for name, *numbers in found}
    assert set(rows) == set(SHARES)
    assert sum(files for files, *_ in rows.values()) == SHARE
    assert sum(opened for _, opened, _, _ in rows.values()) > SHARE / 10
    assert sum(refused for _, _, refused, _ in rows.values()) > SHARE / 10


def test_a_file_follows_from_its_seed_and_number():
    for number in range(30):
        one, again = (make(corpus(), 5, number) for _ in range(2))
        assert (one.kind, one.origin, one.content) == (again.kind, again.origin, again.content)
    assert make(corpus(), 5, 1).content != make(corpus(), 6, 1).content


def test_a_tree_that_is_not_damaged_is_the_file_it_was_read_from():
    content = encoded(film())
    _, body = split(content)
    assert write(parse(body)) == body
    tree = dict(corpus().dicom)["plain"]
    assert written(copy.deepcopy(tree)) == content


def test_packed_zeros_are_what_they_say():
    assert zlib.decompress(dicom_mutations.packed_zeros(2)) == b"\0" * 2_000_000


# ---- what was found ----


@pytest.fixture
def plain():
    return copy.deepcopy(dict(corpus().dicom)["plain"])


@pytest.fixture
def sr():
    if not corpus().reports:
        pytest.skip('the extra "dicom" is not installed')
    return copy.deepcopy(dict(corpus().reports)["sr"])


@pytest.fixture
def saved(tmp_path):
    def saved(content, name="a.dcm"):
        path = tmp_path / name
        path.write_bytes(content)
        return path

    return saved


def test_a_display_table_of_words_is_a_remark(plain, saved):
    item = [Element((0x28, 0x3002), b"US", struct.pack("<HHH", 1, 0, 16)), Element((0x28, 0x3006), b"LO", b"abc ")]
    put(plain.body, (0x28, 0x3000), b"SQ", b"").items = [item]
    assert any("Modality LUT" in line for line in read(saved(written(plain))).warnings)


def test_what_pydicom_warns_of_in_a_display_table_travels_with_the_film(plain, saved, recwarn):
    item = [
        *(Element((0x28, 0x3002), b"US", struct.pack("<HHH", 2, 0, 16)), Element((0x28, 0x3003), b"LO", b"\x1b$Zword")),
        Element((0x28, 0x3006), b"UT", b"\x1b$Z"),
    ]
    put(plain.body, (0x28, 0x3000), b"SQ", b"").items = [item]
    assert any("escape sequence" in line for line in read(saved(written(plain))).warnings)
    assert len(recwarn) == 0


@pytest.mark.parametrize("depth", [30, 400])
def test_deep_sequences_are_refused_and_not_followed(plain, sr, saved, tmp_path, depth):
    """Both kinds of length; the recursion of pydicom and of deepcopy ended in a traceback."""
    for undefined in (False, True):
        for file in (plain, sr):
            inner = [Element((8, 0x100), b"SH", b"113100")]
            for _ in range(min(depth, 150)):
                inner = [Element((0x40, 0xA730), b"SQ", items=[inner], undefined=undefined)]
            hurt = copy.deepcopy(file)
            hurt.body = [element for element in hurt.body if element.tag != (0x40, 0xA730)] + inner
            if depth > 150:
                hurt.tail = (
                    struct.pack("<HH", 0x40, 0xA730) + b"SQ\0\0" + b"\xff" * 4 + b"\xfe\xff\0\xe0" + b"\xff" * 4
                ) * depth
            path = saved(written(hurt))
            with pytest.raises(ImageError, match=r"a\.dcm must be a radiograph or a DICOM object"):
                deidentify_files([path], tmp_path / "out", no_text_in_pixels=True)
            with pytest.raises(ShareError, match=r"a\.dcm must be a"):
                read_report(path)
    assert not (tmp_path / "out").exists()


def test_a_sequence_that_is_text_is_not_walked(plain, saved, tmp_path):
    """Content Sequence with the value representation of words: it is emptied like any other typed text."""
    put(plain.body, (0x40, 0xA730), b"LO", b"Quill^Ada ")
    done = deidentify_files([saved(written(plain))], tmp_path / "out", no_text_in_pixels=True)
    assert b"Quill" not in done.files[0].read_bytes()


def test_a_header_that_cannot_be_written_leaves_nothing_behind(plain, saved, tmp_path, recwarn):
    find(plain.body, (0x28, 0x10)).value = b"\1"  # half a number
    path = saved(written(plain))
    with pytest.raises(ImageError, match=r"must have a header that can be written|is damaged"):
        deidentify_files([path], tmp_path / "out", no_text_in_pixels=True)
    assert not (tmp_path / "out").exists()
    assert len(recwarn) == 0


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
@pytest.mark.parametrize("tag", [(0x40, 0xA161), (0x70, 0x22)])
def test_a_report_with_numbers_that_are_none_is_refused(sr, saved, tag, number):
    """They would have come out as JSON that is none."""
    hurt = next(e for d in sr.datasets() for e in d if e.tag == tag)
    hurt.value = struct.pack("<d", number) if tag[0] == 0x40 else struct.pack("<4f", 1.0, 1.0, number, 2.0)
    with pytest.raises(ShareError, match=r"a\.dcm: report is damaged: .* must be finite"):
        read_report(saved(written(sr)))


def test_a_report_of_very_many_elements_is_refused(sr, saved):
    sr.tail = b"".join(struct.pack("<HH2sH", 0x7FE1 + 2 * (k >> 16), k & 0xFFFF, b"LO", 0) for k in range(60_000))
    with pytest.raises(ShareError, match="at most 50000 elements"):
        read_report(saved(written(sr)))


def test_a_report_of_very_many_items_is_refused(sr, saved):
    put(sr.body, (8, 0x1140), b"SQ", b"").items = [[] for _ in range(60_000)]
    with pytest.raises(ShareError, match="at most 50000 items"):
        read_report(saved(written(sr)))


def test_a_report_that_inflates_is_refused(sr, saved):
    sr.deflated = True
    put(sr.meta, (2, 0x10), b"UI", b"1.2.840.10008.1.2.1.99")
    put(sr.body, (0x7FE0, 0x10), b"OW", b"").length = 50_000_000
    sr.tail = b"BOMB" + struct.pack("<I", 50_000_000)
    with pytest.raises(ShareError, match="must hold at most 32000000 bytes"):
        read_report(saved(written(sr)))


@pytest.mark.parametrize("length", [None, 0, 8])
def test_a_deflated_bomb_is_found_where_its_group_length_lies(plain, saved, length):
    """pydicom goes by the elements of the meta information, not by its length, and inflates whatever comes."""
    plain.deflated = True
    put(plain.meta, (2, 0x10), b"UI", b"1.2.840.10008.1.2.1.99")
    put(plain.meta, (2, 0), b"UL", b"" if length is None else struct.pack("<I", length))
    plain.meta = plain.meta[1:] if length is None else plain.meta
    assert read(saved(written(plain))).values.shape == (480, 300)
    put(plain.body, (0x7FE0, 0x10), b"OW", b"").length = 200_000_000
    plain.tail = b"BOMB" + struct.pack("<I", 200_000_000)
    with pytest.raises(ImageError, match="must hold at most 104000000 bytes"):
        read(saved(written(plain)))


def test_a_class_that_is_a_list_is_none(plain, saved):
    put(plain.body, (8, 0x16), b"UI", b"1.2\\1.3\0")
    assert any(line.startswith("SOP class must be") for line in read(saved(written(plain))).warnings)


def test_a_case_without_canals_has_a_digest(tmp_path):
    body = {k: v for k, v in bench_case("film.png", b"x").items() if k != "canals"}
    assert len(case_digest(case_from_json(body, folder=tmp_path))) == 64


def test_a_name_in_an_unknown_character_set_is_left_out(plain, saved, tmp_path):
    """pydicom hands over bytes, whose Python text has backslashes: it became four names."""
    put(plain.body, (8, 5), b"CS", b"idna")
    put(plain.body, (0x10, 0x10), b"PN", b"\x80\x81\x82")
    content = written(plain)
    saved(content, "film.dcm")
    case = tmp_path / "c.wl.json"
    case.write_text(json.dumps(bench_case("film.dcm", content)), encoding="utf-8")
    pytest.importorskip("highdicom", reason='the extra "dicom" is not installed')
    assert main(["share", str(case), "--as", "presentation", "--out", str(tmp_path / "state.dcm")]) == 0
    assert pydicom.dcmread(tmp_path / "state.dcm").PatientName == ""


def test_words_of_the_header_that_break_its_rules_go_on_in_silence(plain, saved, tmp_path, capsys, recwarn):
    """A calibrated copy takes over what stands there; pydicom warned on stderr of what it wrote."""
    find(plain.body, (0x10, 0x40)).value = b"a "
    content = written(plain)
    saved(content, "film.dcm")
    case = tmp_path / "c.wl.json"
    case.write_text(json.dumps(bench_case("film.dcm", content)), encoding="utf-8")
    assert main(["share", str(case), "--as", "calibrated", "--out", str(tmp_path / "copy.dcm")]) == 0
    assert capsys.readouterr().err == ""
    assert len(recwarn) == 0


PNG = dict(corpus().rasters["png"])["8"]
JPEG = dict(corpus().rasters["jpeg"])["progressive"]


def with_parts(*extra):
    head, *rest = chunks(PNG)
    return PNG[:8] + b"".join(chunk(*part) for part in (head, *extra, *rest))


def scans_again(many):
    """A picture of 47 megapixels by its header, and its last scan again and again."""
    at, frame = JPEG.rfind(b"\xff\xda"), JPEG.find(b"\xff\xc2")
    head = JPEG[: frame + 5] + struct.pack(">HH", 6900, 6900) + JPEG[frame + 9 : at]
    return head + JPEG[at:-2] * many + b"\xff\xd9"


def sixteen_bit_colour():
    return PNG[:16] + struct.pack(">IIBB", 6000, 6000, 16, 6) + PNG[26:]


def chained():
    entries, pages = 1001, 3
    out = bytearray(b"II*\0" + struct.pack("<I", 8) + b"\0" * (2 * pages + 6 + 12 * entries))
    struct.pack_into("<H", out, 8, entries)
    return bytes(out)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (lambda: with_parts(*[(b"tEXt", b"a\0b")] * 500_001), "more than 500000 chunks"),
        (lambda: JPEG[:2] + b"\xff" * 1002 + JPEG[2:], "more than 1000 fill bytes"),
        (lambda: JPEG[:2] + b"\xff\xfe\0\2" * 20_002 + JPEG[2:], "more than 20000 markers"),
        (lambda: scans_again(40), "[0-9]+ scans"),
        (chained, "more than 1000 entries"),
        (sixteen_bit_colour, "256 MB decoded"),
    ],
    ids=["chunks", "fill", "markers", "scans", "entries", "channels"],
)
def test_floods_are_refused_by_count(saved, content, message):
    """Each cost seconds for every ten megabytes, or memory for nothing."""
    with pytest.raises(ImageError, match=message):
        read(saved(content(), "a.png"))


def test_many_notes_of_one_kind_cost_one(saved):
    """Thousands of resolutions and Exif blocks: only the first of each is looked at."""
    many = [(b"pHYs", struct.pack(">IIB", 1, 2, 1))] * 3000 + [(b"eXIf", raster_mutations.EXIF)] * 3000
    warnings = read(saved(with_parts(*many), "a.png")).warnings
    assert sum("pHYs differs" in line for line in warnings) <= 1


def test_what_libpng_says_of_damage_is_not_printed(saved, capfd):
    parts = [(name, zlib.compress(b"\7" * 7000) if name == b"IDAT" else body) for name, body in chunks(PNG)]
    path = saved(PNG[:8] + b"".join(chunk(*part) for part in parts), "a.png")
    with pytest.raises(ImageError, match="PNG file cannot be decoded: libpng error"):
        read(path)
    extra = [(b"PLTE", bytes(range(6)))]
    assert any("libpng warning" in line for line in read(saved(with_parts(*extra), "b.png")).warnings)
    assert capfd.readouterr() == ("", "")


def test_damage_of_every_kind_is_reached():
    """Each mutation changes the seed it is given, so that none of them sits there idle."""
    for damage in (*dicom_mutations.DAMAGES, *dicom_mutations.BOMBS):
        before = written(copy.deepcopy(dict(corpus().dicom)["run length"]))
        for number in range(12):
            file = copy.deepcopy(dict(corpus().dicom)["run length"])
            damage(file, np.random.default_rng(number))
            if written(file) != before:
                break
        else:
            pytest.fail(damage.__name__)
