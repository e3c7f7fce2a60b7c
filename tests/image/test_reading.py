"""`read`: content decides the kind; every bad file is one clear line; what travels with the picture."""

import hashlib
import subprocess
import sys

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import ImageError
from wlmeasure.image import read

GREY = np.random.default_rng(3).integers(0, 65536, (30, 40), dtype=np.uint16)


def encoded(suffix, picture=GREY):
    return cv2.imencode(suffix, picture)[1].tobytes()


def test_the_hash_is_that_of_the_file_and_the_name_as_given(tmp_path, monkeypatch):
    content = encoded(".png")
    (tmp_path / "a.png").write_bytes(content)
    monkeypatch.chdir(tmp_path)
    radiograph = read("a.png")
    assert radiograph.sha256 == hashlib.sha256(content).hexdigest()
    assert radiograph.path == "a.png"
    assert radiograph.warnings == ()


@pytest.mark.parametrize(
    ("content", "name", "kind"),
    [
        (encoded(".png"), "a.dcm", "PNG"),
        (encoded(".jpg", (GREY >> 8).astype(np.uint8)), "a.png", "JPEG"),
        (encoded(".tif"), "a", "TIFF"),
        (encoded(".bmp", (GREY >> 8).astype(np.uint8)), "a.tif", "BMP"),
    ],
)
def test_a_wrong_extension_is_read_by_content_with_a_warning(tmp_path, content, name, kind):
    path = tmp_path / name
    path.write_bytes(content)
    radiograph = read(path)
    assert radiograph.format == kind
    assert f"read as {kind}" in radiograph.warnings[-1]


@pytest.mark.parametrize("name", ["a.PNG", "a.b.png"])
def test_a_fitting_extension_is_silent(tmp_path, name):
    (tmp_path / name).write_bytes(encoded(".png"))
    assert read(tmp_path / name).warnings == ()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "zero bytes"),
        (b"\0", "none of them"),
        (b"patient,tooth\n1,46\n" * 20, "none of them"),
        (b"BMW is no bitmap, and this is only a text\n" * 9, "none of them"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"GIF89a" + b"\0" * 40, "GIF"),
        (b"\0" * 4096, "none of them"),
        (b"\x89PNG\r\n\x1a\n", "damaged|truncated"),
        (b"\xff\xd8\xff", "truncated"),
        (b"II*\0", "truncated"),
        (b"BM" + b"\0" * 20, "none of them"),
        (b"\0" * 128 + b"DICM", "DICOM"),
    ],
)
def test_what_is_no_image_is_one_clear_line(tmp_path, content, message):
    path = tmp_path / "film.png"
    path.write_bytes(content)
    with pytest.raises(ImageError, match=message) as caught:
        read(path)
    assert str(caught.value).startswith("film.png: ")
    assert str(caught.value).isprintable()


def test_missing_directory_and_too_large(tmp_path):
    with pytest.raises(ImageError, match=r"^none\.png: path must be an image file: nothing there"):
        read(tmp_path / "none.png")
    with pytest.raises(ImageError, match="a directory"):
        read(tmp_path)
    with pytest.raises(ImageError, match="check the name"):
        read("a\0b.png")
    (tmp_path / "a.png").write_bytes(encoded(".png"))
    with pytest.raises(ImageError, match="at most 100 bytes"):
        read(tmp_path / "a.png", max_file_bytes=100)


def test_a_hostile_file_name_stays_on_one_line(tmp_path):
    path = tmp_path / "a\n\x1b[31mred.png"
    path.write_bytes(b"no image")
    with pytest.raises(ImageError) as caught:
        read(path)
    assert str(caught.value).startswith("a [31mred.png: ")


@pytest.mark.parametrize(("shape", "warned"), [((40, 40), True), ((40, 41), False)])
def test_an_exactly_square_image_without_spacing_is_suspect(tmp_path, shape, warned):
    path = tmp_path / "a.png"
    path.write_bytes(encoded(".png", np.zeros(shape, np.uint8)))
    assert any("exactly square image without spacing" in w for w in read(path).warnings) is warned


def test_start_up_imports_neither_decoder():
    """pydicom costs 0.7 s, OpenCV 0.2 s: each only for its own files; Pillow never."""
    code = (
        "import sys, wlmeasure.image; print(sorted({'cv2', 'pydicom', 'PIL', 'scipy', 'tifffile'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_a_raster_does_not_import_pydicom(tmp_path):
    (tmp_path / "a.png").write_bytes(encoded(".png"))
    code = (
        "import sys; from wlmeasure.image import read; read(sys.argv[1]); print({'pydicom', 'PIL'} & set(sys.modules))"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "a.png")]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip() == "set()"


@given(
    st.binary(max_size=300), st.sampled_from([b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0+", b"BM"])
)
def test_no_bytes_escape_as_another_error(tmp_path_factory, content, magic):
    """Law: bytes that are no image raise ImageError and nothing else."""
    path = tmp_path_factory.getbasetemp() / "bytes"
    path.write_bytes(magic + content)
    with pytest.raises(ImageError) as caught:
        read(path)
    assert str(caught.value).isprintable()
