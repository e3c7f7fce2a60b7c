"""What clinic files hold besides the picture: a token planted in each place, and every byte and string of the output searched.

A token is looked for in the raw bytes, in two-byte encodings, in whatever inflates from any offset, in every string that two
libraries read, and in the names of the files. Text in the pixels is drawn, so there the pixels are compared.
"""

import csv
import io
import re
import shutil
import struct
import subprocess
import zlib

import cv2
import numpy as np
import pydicom
import pytest
from PIL import Image, ImageDraw, ImageFont
from PIL.PngImagePlugin import PngInfo
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate, generate_frames
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit

from wlmeasure.cli import main
from wlmeasure.image.reading import read

ROWS, COLS = 240, 180
IO_CLASS = "1.2.840.10008.5.1.4.1.1.1.3"
KEPT = {"Manufacturer": "KEPT01 works", "ManufacturerModelName": "KEPT02", "SoftwareVersions": "KEPT03 1.2",
        "BodyPartExamined": "KEPT04"}  # fmt: skip


class Planted:
    """Tokens by the place they stand in; each is asked for once."""

    def __init__(self):
        self.tokens = {}

    def __call__(self, place):
        assert place not in self.tokens
        self.tokens[place] = f"QZ{len(self.tokens):03d}SMITH"
        return self.tokens[place]

    def raw(self, place):
        return self(place).encode()


@pytest.fixture
def plant():
    return Planted()


def film(dtype=np.uint8, top=255):
    """A film of soft shapes, rows and columns unequal; no print in it."""
    rng = np.random.default_rng(11)
    soft = cv2.GaussianBlur(rng.normal(size=(ROWS, COLS)), (0, 0), 14)
    soft = (soft - soft.min()) / np.ptp(soft)
    return (0.15 * top + 0.6 * top * soft).astype(dtype)


def code(value, scheme, words):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, words
    return item


def item(**attributes):
    made = Dataset()
    for keyword, value in attributes.items():
        setattr(made, keyword, value)
    return made


def written(dataset, path, *, syntax=ExplicitVRLittleEndian, tail=b""):
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.save_as(path, enforce_file_format=True)
    path.write_bytes(path.read_bytes() + tail)
    return path


def dicom_film(pixels):
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = IO_CLASS, "1.2.3.4.5"
    dataset = FileDataset("x", Dataset(), file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID, dataset.SOPInstanceUID = IO_CLASS, "1.2.3.4.5"
    dataset.StudyInstanceUID, dataset.SeriesInstanceUID = "1.2.3.4.6", "1.2.3.4.7"
    dataset.Modality, dataset.SpecificCharacterSet, dataset.PatientName = "IO", "ISO_IR 192", ""
    dataset.Rows, dataset.Columns = pixels.shape
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PixelRepresentation = 1, "MONOCHROME2", 0
    dataset.BitsAllocated = 8 * pixels.dtype.itemsize
    dataset.BitsStored = dataset.BitsAllocated if pixels.dtype == np.uint8 else 12
    dataset.HighBit = dataset.BitsStored - 1
    dataset.PixelData = pixels.tobytes()
    return dataset


IN_TABLE = (
    *("PatientName", "PatientID", "PatientComments", "OtherPatientNames", "PatientAddress", "InstitutionName"),
    *("StationName", "ReferringPhysicianName", "OperatorsName", "AccessionNumber", "StudyID", "StudyDescription"),
    *("SeriesDescription", "ImageComments", "DeviceSerialNumber", "DerivationDescription", "Occupation"),
)
TYPED = (
    "PositionReferenceIndicator",
    "PixelSpacingCalibrationDescription",
    "WindowCenterWidthExplanation",
    "RescaleType",
)


def crowded_dicom(plant, path):
    """A 12-bit film with a token wherever one can stand."""
    pixels = film(np.uint16, 4095)
    dataset = dicom_film(pixels)
    for keyword in (*IN_TABLE, *TYPED):
        setattr(dataset, keyword, plant(keyword))
    for keyword, value in KEPT.items():
        setattr(dataset, keyword, value)
    dataset.WindowCenter, dataset.WindowWidth, dataset.RescaleSlope, dataset.RescaleIntercept = 2000, 3000, 1, 0
    dataset.PixelSpacing, dataset.PixelSpacingCalibrationType = [0.021, 0.019], "GEOMETRY"
    block = dataset.private_block(0x0099, plant("private creator"), create=True)
    block.add_new(1, "LO", plant("private text"))
    block.add_new(2, "OB", plant.raw("private bytes"))
    block.add_new(3, "SQ", Sequence([item(PatientComments=plant("private sequence"))]))
    inner = item(PurposeOfReferenceCodeSequence=Sequence([code("121311", "DCM", plant("meaning, three deep"))]))
    inner.private_block(0x0011, plant("private creator, nested"), create=True).add_new(
        1, "LT", plant("private, nested")
    )
    inner.ReferencedSOPClassUID, inner.ReferencedSOPInstanceUID = IO_CLASS, "1.2.3.4.8"
    dataset.ReferencedImageSequence = Sequence([inner])
    dataset.RequestAttributesSequence = Sequence([item(RequestedProcedureDescription=plant("nested request"))])
    dataset.ContributingEquipmentSequence = Sequence([item(InstitutionName=plant("nested institution"))])
    dataset.VOILUTSequence = Sequence(
        [item(LUTDescriptor=[2, 0, 16], LUTExplanation=plant("LUT words"), LUTData=b"\0\0\x09\0")]
    )
    dataset.PrimaryAnatomicStructureSequence = Sequence(
        [
            code("866005003", "SCT", plant("meaning of a known code")),
            code("999999999", "SCT", plant("meaning of an unknown code")),
            code(plant("own code"), "99LOCAL", plant("own meaning")),
            code(plant("code that is none"), "DCM", "Path length"),
            code("mm", plant("own scheme"), "millimeter"),
        ]
    )
    scheme = item(CodingSchemeDesignator="DCM", CodingSchemeName=plant("scheme name"))
    scheme.CodingSchemeResponsibleOrganization = plant("scheme owner")
    dataset.CodingSchemeIdentificationSequence = Sequence([scheme])
    dataset.ICCProfile = plant.raw("colour profile").ljust(24)
    dataset.add_new(0x60000010, "US", ROWS)
    dataset.add_new(0x60003000, "OW", plant.raw("overlay bits").ljust(12))
    dataset.add_new(0x60001500, "LO", plant("overlay label"))
    dataset.add_new(0x60004000, "LT", plant("overlay words"))
    dataset.add_new(0x50002500, "LO", plant("curve label"))
    dataset.add_new(0x50003000, "OW", plant.raw("curve data").ljust(12))
    dataset.IconImageSequence = Sequence(
        [item(Rows=1, Columns=12, BitsAllocated=8, PixelData=plant.raw("icon").ljust(12))]
    )
    dataset.DataSetTrailingPadding = plant.raw("trailing padding").ljust(12)
    dataset.add_new(0x00109999, "LO", plant("no keyword"))
    dataset.PixelData = pixels.tobytes() + plant.raw("behind the pixels")
    dataset.file_meta.SourceApplicationEntityTitle = plant("source AE")
    dataset.file_meta.ImplementationVersionName = plant("implementation")
    dataset.file_meta.PrivateInformationCreatorUID = "1.2.3.999"
    dataset.file_meta.PrivateInformation = plant.raw("meta information")
    dataset.preamble = plant.raw("preamble").ljust(128, b"\0")
    return written(dataset, path, tail=plant.raw("behind the data set").ljust(40, b"!"))


def jpeg(plant=None, name="", *, pixels=None, **options):
    """A JPEG, with tokens in a comment, in application data, between its scans and behind its end."""
    sink = io.BytesIO()
    Image.fromarray(film() if pixels is None else pixels).save(sink, "JPEG", quality=92, progressive=True, **options)
    data = sink.getvalue()
    if plant is None:
        return data

    def segment(marker, body):
        return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body

    second = data.rindex(b"\xff\xda")
    data = data[:second] + segment(0xFE, plant.raw(f"{name} comment between scans")) + data[second:]
    head = segment(0xFE, plant.raw(f"{name} comment")) + segment(0xED, b"Photoshop 3.0\0" + plant.raw(f"{name} IPTC"))
    head += segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + plant.raw(f"{name} XMP"))
    return data[:2] + head + data[2:] + plant.raw(f"{name} behind the end")


def crowded_jpeg(plant, path):
    exif = Image.Exif()
    exif[0x0112], exif[0x010E], exif[0x013B] = 6, plant("JPEG Exif description"), plant("JPEG Exif artist")
    exif.get_ifd(0x8769)[0x9286] = b"ASCII\0\0\0" + plant.raw("JPEG Exif user comment")
    path.write_bytes(jpeg(plant, "JPEG", exif=exif, icc_profile=plant.raw("JPEG profile").ljust(200)))
    return path


def jpeg_in_dicom(plant, path):
    dataset = dicom_film(film())
    frame = jpeg(plant, "frame")
    dataset.PixelData = encapsulate([frame + b"\0" * (len(frame) % 2)])
    dataset["PixelData"].is_undefined_length = True
    dataset.PatientName = plant("name in another character set")
    return written(dataset, path, syntax=JPEGBaseline8Bit)


def chunk(name, body):
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def crowded_png(plant, path):
    told = PngInfo()
    told.add_text("Patient", plant("PNG tEXt"))
    told.add_text("Comment", 5 * plant("PNG zTXt"), zip=True)
    told.add_itxt("Title", plant("PNG iTXt"))
    told.add_itxt("Subject", 5 * plant("PNG iTXt packed"), zip=True)
    exif = Image.Exif()
    exif[0x0112], exif[0x010E] = 8, plant("PNG Exif")
    sink = io.BytesIO()
    Image.fromarray(film(np.uint16, 65535)).save(
        sink, "PNG", pnginfo=told, exif=exif, icc_profile=5 * plant.raw("PNG profile")
    )
    data = sink.getvalue()
    at = data.index(b"IDAT") - 4
    picture = zlib.decompress(b"".join(_idat(data)))
    data = data[:at] + chunk(b"quIz", plant.raw("PNG own chunk")) + chunk(b"tIME", bytes((7, 234, 3, 11, 9, 30, 12)))
    data += chunk(b"IDAT", zlib.compress(picture + plant.raw("PNG behind the last row")))
    path.write_bytes(data + chunk(b"IEND", b"") + plant.raw("PNG behind the end"))
    return path


def _idat(data):
    at = 8
    while at < len(data):
        (length,) = struct.unpack_from(">I", data, at)
        if data[at + 4 : at + 8] == b"IDAT":
            yield data[at + 8 : at + 8 + length]
        at += 12 + length


def crowded_tiff(plant, path):
    tags = {270: plant("TIFF description"), 315: plant("TIFF artist"), 33432: plant("TIFF copyright"), 274: 3}
    tags |= {
        700: plant.raw("TIFF XMP"),
        65000: plant("TIFF own tag"),
        269: plant("TIFF document"),
        306: plant("TIFF date"),
    }
    sink = io.BytesIO()
    Image.fromarray(film()).save(sink, "TIFF", compression="tiff_adobe_deflate", tiffinfo=tags)
    path.write_bytes(sink.getvalue() + plant.raw("TIFF behind the end"))
    return path


def crowded_bmp(plant, path):
    sink = io.BytesIO()
    Image.fromarray(film()[:, : COLS - 3]).save(sink, "BMP")
    data = bytearray(sink.getvalue())
    (start,) = struct.unpack_from("<I", data, 10)
    token = plant.raw("BMP before the picture").ljust(40)
    struct.pack_into("<I", data, 10, start + len(token))
    path.write_bytes(bytes(data[:start]) + token + bytes(data[start:]) + plant.raw("BMP behind the end"))
    return path


CHARACTER_SETS = ("utf-8", "utf-16-le", "utf-16-be", "latin-1", "cp037")


def strings(dataset):
    for element in dataset.iterall():
        yield str(element.value)
        yield str(element.tag)


def everything(path):
    """All texts that a file may be read as."""
    data = path.read_bytes()
    texts = [path.name, *(data.decode(name, "replace") for name in CHARACTER_SETS)]
    for at in (found.start() for found in re.finditer(rb"\x78[\x01\x5e\x9c\xda]", data)):
        try:
            texts.append(zlib.decompressobj().decompress(data[at:], 10_000_000).decode("latin-1"))
        except zlib.error:
            continue
    if data[128:132] == b"DICM":
        dataset = pydicom.dcmread(path)
        texts += [*strings(dataset), *strings(dataset.file_meta)]
    elif path.suffix in (".png", ".jpg", ".tif", ".bmp"):
        with Image.open(path) as picture:
            picture.load()
            exif = picture.getexif()
            texts += [str(picture.info), str(dict(exif)), str(exif.get_ifd(0x8769))]
    return "\n".join(texts)


@pytest.fixture
def crowded(plant, tmp_path):
    folder = tmp_path / "given"
    folder.mkdir()
    makers = {"dcm": crowded_dicom, "2.dcm": jpeg_in_dicom, "png": crowded_png, "jpg": crowded_jpeg, "tif": crowded_tiff,
              "bmp": crowded_bmp}  # fmt: skip
    return [make(plant, folder / f"{plant(f'name of the {end}')}.{end}") for end, make in makers.items()]


def deidentified(files, out, *more):
    """The command's status, and what it wrote, its lists left aside."""
    status = main(["deidentify", *map(str, files), "--out", str(out), *more])
    return status, sorted(path for path in out.glob("*") if path.suffix != ".csv") if out.exists() else []


def test_no_planted_value_is_left_and_each_that_is_kept_is_named(crowded, plant, tmp_path, capsys):
    before = "\n".join(map(everything, crowded))
    assert [place for place, token in plant.tokens.items() if token not in before] == []
    assert len(plant.tokens) >= 85  # with those drawn into the pixels below, more than 90
    status, files = deidentified(crowded, tmp_path / "out", "--no-text-in-pixels")
    assert (status, len(files)) == (0, len(crowded))
    lists = [tmp_path / "out" / "removed.csv", tmp_path / "out" / "kept.csv"]
    after = "\n".join(map(everything, [*files, *lists]))
    assert [place for place, token in plant.tokens.items() if token in after] == []
    assert "SMITH" not in after
    with lists[1].open(encoding="utf-8", newline="") as file:
        named = {row["element"]: row["value"] for row in csv.DictReader(file) if row["file"] == "0001.dcm"}
    # Own words of a coded string and a number that has the form of a code stay; what the standard defines is not named.
    assert named == KEPT | {"PrimaryAnatomicStructureSequence.CodeValue": "999999999", "RescaleType": "US"}
    assert "kept.csv" in capsys.readouterr().out


def test_the_pixels_and_how_they_lie_are_what_they_were(crowded, tmp_path):
    _, files = deidentified(crowded, tmp_path / "out", "--no-text-in-pixels")
    for old, new in zip(crowded, files, strict=True):
        before, after = read(old), read(new)
        np.testing.assert_array_equal(before.values, after.values)
        assert (before.orientation, before.format, before.bits) == (after.orientation, after.format, after.bits)
        assert new.suffix == old.suffix[-4:]
    assert [read(path).orientation for path in files if path.suffix in (".png", ".jpg", ".tif")] == [8, 6, 3]


def test_a_lossy_picture_is_never_compressed_again(crowded, tmp_path):
    """The scans of a JPEG come out byte for byte, in a file of its own and inside DICOM."""
    _, files = deidentified(crowded, tmp_path / "out", "--no-text-in-pixels")

    def scans(data):
        return re.findall(rb"\xff\xda.*?(?=\xff[\xc0-\xcf\xd8-\xfe])", data, re.DOTALL)

    (old,), (new,) = ([path for path in paths if path.suffix == ".jpg"] for paths in (crowded, files))
    assert scans(new.read_bytes()) == scans(old.read_bytes()) != []
    frames = [
        next(generate_frames(pydicom.dcmread(path).PixelData, number_of_frames=1)) for path in (crowded[1], files[1])
    ]
    assert scans(frames[0]) == scans(frames[1]) != []


def test_other_readers_open_what_was_written(crowded, tmp_path):
    _, files = deidentified(crowded, tmp_path / "out", "--no-text-in-pixels")
    for path in files:
        if path.suffix == ".dcm":
            assert pydicom.dcmread(path).pixel_array.shape == (ROWS, COLS)
        else:
            with Image.open(path) as picture:
                picture.load()
                assert {*picture.info} <= {"exif", "jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive",
                                           "progression", "dpi", "compression", "resolution"}  # fmt: skip
    verify = shutil.which("dciodvfy")
    if verify is None:
        pytest.skip("dicom3tools is not installed")
    for old, new in zip(crowded[:2], files[:2], strict=True):
        faults = []
        for path in (old, new):
            lines = subprocess.run([verify, str(path)], capture_output=True, text=True).stderr.splitlines()
            faults.append({line for line in lines if line.startswith("Error")})
        assert faults[1] - faults[0] == set()


@pytest.mark.parametrize(
    ("term", "codec", "name"),
    [
        ("ISO_IR 101", "iso8859-2", "Żółćkowski"),
        ("ISO_IR 126", "iso8859-7", "Παπαδόπουλος"),
        ("ISO_IR 144", "iso8859-5", "Кузнецова"),
        ("ISO_IR 192", "utf-8", "סמית"),
        ("ISO 2022 IR 87", "iso2022_jp", "山田太郎"),
        ("GB18030", "gb18030", "王小东"),
    ],
)
def test_a_name_in_any_character_set_goes(tmp_path, term, codec, name):
    dataset = dicom_film(film())
    dataset.SpecificCharacterSet = ["", term] if "2022" in term else term
    dataset.PatientName = dataset.PixelSpacingCalibrationDescription = dataset.WindowCenterWidthExplanation = name
    dataset.PixelSpacingCalibrationType = "GEOMETRY"
    dataset.AnatomicRegionSequence = Sequence([code("661005", "SCT", name)])
    dataset.private_block(0x0099, "MAKER", create=True).add_new(1, "LO", name)
    path = written(dataset, tmp_path / "film.dcm")
    core = name.encode(codec).replace(b"\x1b$B", b"").replace(b"\x1b(B", b"")
    assert path.read_bytes().count(core) == 5
    _, (new,) = deidentified([path], tmp_path / "out", "--no-text-in-pixels")
    assert core not in new.read_bytes()
    assert all(name not in text for text in strings(pydicom.dcmread(new)))
    assert (tmp_path / "out" / "removed.csv").read_bytes().count(name.encode()) == 0


def test_numbers_and_uids_that_stay_are_named(tmp_path):
    dataset = dicom_film(film())
    dataset.SeriesNumber, dataset.InstanceNumber = 19710312, 4
    path = written(dataset, tmp_path / "film.dcm")
    deidentified([path], tmp_path / "out", "--no-text-in-pixels")
    assert (tmp_path / "out" / "kept.csv").read_text("utf-8").splitlines()[1:] == ["0001.dcm,SeriesNumber,19710312"]
    deidentified([path], tmp_path / "kept", "--no-text-in-pixels", "--retain-uids")
    named = (tmp_path / "kept" / "kept.csv").read_text("utf-8")
    assert all(f"UID,{uid}" in named for uid in ("1.2.3.4.5", "1.2.3.4.6", "1.2.3.4.7"))


def test_overlay_bits_inside_the_samples_go(tmp_path):
    """Bits 12 to 15 held an overlay until 2004: a name drawn there is seen by readers that know it."""
    pixels = film(np.uint16, 4095)
    drawn = Image.new("L", (COLS, ROWS))
    ImageDraw.Draw(drawn).text((20, 30), "SMITH", fill=1)
    dataset = dicom_film(pixels | (np.asarray(drawn, np.uint16) << 13))
    path = written(dataset, tmp_path / "film.dcm")
    _, (new,) = deidentified([path], tmp_path / "out", "--no-text-in-pixels")
    stored = np.frombuffer(pydicom.dcmread(new).PixelData, "<u2").reshape(ROWS, COLS)
    np.testing.assert_array_equal(stored, pixels)


# ---- text in the pixels ----


def drawn(pixels, ink, size=15, at=(12, 20), words="SMITH^JANE 1971"):
    """The picture with print in it, and where its ink is."""
    picture = Image.fromarray(pixels)
    ImageDraw.Draw(picture).text((at[1], at[0]), words, fill=ink, font=ImageFont.load_default(size))
    made = np.asarray(picture)
    changed = made != pixels
    return made, changed if changed.ndim == 2 else changed.any(axis=2)


COLOURED = np.dstack([film()] * 3)
BURNT = {
    "red letters, PNG": (COLOURED, (230, 30, 20), "png"),
    "yellow letters, JPEG": (COLOURED, (250, 240, 40), "jpg"),
    "green letters, TIFF": (COLOURED, (40, 220, 60), "tif"),
    "blue letters, BMP": (COLOURED, (30, 60, 240), "bmp"),
    "white letters, PNG": (film(), 255, "png"),
    "black letters, JPEG": (film() // 2 + 110, 0, "jpg"),
    "white letters, DICOM": (film(), 255, "dcm"),
    "red letters, DICOM": (COLOURED, (230, 30, 20), "dcm"),
}


def burnt_file(pixels, end, path):
    if end == "dcm":
        dataset = dicom_film(pixels if pixels.ndim == 2 else pixels[..., 0])
        if pixels.ndim == 3:
            dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PlanarConfiguration = 3, "RGB", 0
            dataset.PixelData = pixels.tobytes()
        return written(dataset, path)
    Image.fromarray(pixels).save(path, **({"quality": 95} if end == "jpg" else {}))
    return path


def samples(path):
    if path.suffix == ".dcm":
        return pydicom.dcmread(path).pixel_array
    with Image.open(path) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize("name", BURNT)
def test_print_is_found_and_blacked_out_and_nothing_else(name, tmp_path, capsys):
    pixels, ink, end = BURNT[name]
    made, where = drawn(pixels, ink)
    path = burnt_file(made, end, tmp_path / f"film.{end}")
    status, (new,) = deidentified([path], tmp_path / "out", "--redact", "--preview", str(tmp_path / "look"))
    said = capsys.readouterr().out
    assert status == 0
    assert "look at every picture" in said
    after, before = samples(new), samples(path)
    darkest = 0 if after.ndim == 3 else int(before.min())
    assert (after[where] == darkest).all()  # every pixel of the letters
    boxes = np.zeros(where.shape, bool)
    with (tmp_path / "out" / "removed.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["element"] == "pixels":
                rows, cols, top, left = map(int, re.findall(r"\d+", row["action"]))
                boxes[top : top + rows, left : left + cols] = True
    np.testing.assert_array_equal(after[~boxes], before[~boxes])
    assert boxes.mean() < 0.25  # the film itself is not taken away
    assert new.suffix == {"dcm": ".dcm"}.get(end, ".png")
    with Image.open(tmp_path / "look" / "0001.png") as look:
        red = np.asarray(look.convert("RGB"))
    assert (red == (255, 0, 0)).all(axis=2).sum() > 50  # frames about what is blacked out
    assert red.shape[:2] == where.shape


def test_a_film_without_print_is_left_as_it_is(tmp_path):
    path = burnt_file(film(), "jpg", tmp_path / "film.jpg")
    status, (new,) = deidentified([path], tmp_path / "out", "--redact")
    assert (status, new.suffix) == (0, ".jpg")
    np.testing.assert_array_equal(samples(new), samples(path))


def test_a_box_by_hand_lies_where_the_picture_shows_it(tmp_path):
    """A sideways JPEG: rows and columns are those of the picture as it is shown."""
    exif = Image.Exif()
    exif[0x0112] = 6  # row 0 is the right side
    path = tmp_path / "film.jpg"
    Image.fromarray(film()).save(path, quality=95, exif=exif)
    upright = read(path).values
    assert upright.shape == (COLS, ROWS)
    _, (new,) = deidentified([path], tmp_path / "out", "--redact-box", "5,7,20,30", "--redact-box", "170,0,99,9")
    expected = upright.copy()
    expected[5:25, 7:37] = expected[170:, :9] = upright.min()
    np.testing.assert_array_equal(samples(new), expected)
    assert read(new).orientation == 1


@pytest.mark.parametrize(
    ("inverted", "signed"), [(False, False), (True, False), (False, True)], ids=["white dense", "black dense", "signed"]
)
def test_boxes_in_dicom_keep_depth_sign_and_polarity(tmp_path, inverted, signed):
    pixels = film(np.int16 if signed else np.uint16, 2000)
    dataset = dicom_film(pixels - 700 if signed else pixels)
    dataset.PixelRepresentation = int(signed)
    dataset.PhotometricInterpretation = "MONOCHROME1" if inverted else "MONOCHROME2"
    path = written(dataset, tmp_path / "film.dcm")
    _, (new,) = deidentified([path], tmp_path / "out", "--redact-box", "0,0,10,12")
    made = pydicom.dcmread(new)
    before, after = pydicom.dcmread(path).pixel_array, made.pixel_array
    black = before.max() if inverted else before.min()
    assert (after[:10, :12] == black).all()
    after = after.copy()
    after[:10, :12] = before[:10, :12]
    np.testing.assert_array_equal(after, before)
    assert (made.BitsStored, made.HighBit, made.PixelRepresentation) == (12, 11, int(signed))
    assert made.BurnedInAnnotation == "NO"
    assert "113101" in [item.CodeValue for item in made.DeidentificationMethodCodeSequence]


def test_a_compressed_film_is_written_plain_where_a_box_is_blacked_out(plant, tmp_path):
    path = jpeg_in_dicom(plant, tmp_path / "film.dcm")
    _, (new,) = deidentified([path], tmp_path / "out", "--redact-box", "0,0,10,12")
    made = pydicom.dcmread(new)
    assert made.file_meta.TransferSyntaxUID == ExplicitVRLittleEndian
    expected = read(path).values.copy()
    expected[:10, :12] = expected.min()
    np.testing.assert_array_equal(made.pixel_array, expected)


@pytest.mark.parametrize(
    ("said", "more", "expected"),
    [
        (None, ["--no-text-in-pixels"], "NO"),  # somebody looked
        ("YES", ["--redact-box", "0,0,9,9"], "NO"),  # it was blacked out
        (None, ["--redact"], None),  # a search that found nothing proves nothing
        ("YES", ["--redact"], "YES"),
        ("NO", [], "NO"),  # the file's own word
    ],
)
def test_no_text_in_the_pixels_is_said_only_where_it_was_looked_for(tmp_path, said, more, expected):
    dataset = dicom_film(film())
    if said is not None:
        dataset.BurnedInAnnotation = said
    _, (new,) = deidentified([written(dataset, tmp_path / "film.dcm")], tmp_path / "out", *more)
    assert pydicom.dcmread(new).get("BurnedInAnnotation") == expected


def test_pictures_of_any_kind_are_asked_about_and_shown_first(crowded, tmp_path, capsys):
    status, files = deidentified(crowded, tmp_path / "out", "--preview", str(tmp_path / "look"))
    assert (status, files) == (1, [])
    assert not (tmp_path / "out").exists()
    assert "--no-text-in-pixels" in capsys.readouterr().err
    assert len(list((tmp_path / "look").glob("*.png"))) == len(crowded)


def test_pictures_to_look_at_do_not_go_into_what_is_handed_on(crowded, tmp_path, capsys):
    out = tmp_path / "out"
    assert deidentified(crowded, out, "--redact", "--preview", str(out / "look"))[0] == 1
    assert "outside the folder" in capsys.readouterr().err


@pytest.mark.parametrize("box", ["1,2,3", "1,2,x,4", "1,2,0,4", "-1,0,4,4"])
def test_a_box_that_is_none_is_refused(crowded, tmp_path, capsys, box):
    assert deidentified(crowded, tmp_path / "out", f"--redact-box={box}")[0] == 1
    assert "must be" in capsys.readouterr().err


# ---- batches ----


def test_a_bad_file_is_named_and_the_rest_is_done(crowded, tmp_path, capsys):
    short = crowded[0].with_name("short.dcm")
    short.write_bytes(crowded[0].read_bytes()[:200])
    cut = crowded[0].with_name("cut.dcm")
    cut.write_bytes(written(dicom_film(film()), cut).read_bytes()[:-5000])
    words = crowded[0].with_name("note.txt")
    words.write_text("no picture")
    given = [short, *crowded[:3], words, crowded[3], cut]
    status, files = deidentified(given, tmp_path / "out", "--no-text-in-pixels")
    said = capsys.readouterr()
    assert status == 1
    assert [path.name for path in files] == [
        "0002.dcm",
        "0003.dcm",
        "0004.png",
        "0006.jpg",
    ]  # by their places in the call
    *left, last = said.err.splitlines()
    assert [line.split()[3] for line in left] == ["short.dcm", "note.txt", "cut.dcm"]
    assert all(re.search(r"left out: \S+ \S+ .{10,}", line) for line in left)
    assert "3 of 7 files were left out" in last
    listed = (tmp_path / "out" / "removed.csv").read_text("utf-8")
    assert "short" not in listed
    assert "0006.jpg" in listed


def test_names_are_kept_only_where_it_is_asked_for(crowded, tmp_path):
    _, files = deidentified(crowded[2:4], tmp_path / "out", "--no-text-in-pixels", "--keep-names")
    assert [path.name for path in files] == sorted(path.name for path in crowded[2:4])


def bare_data_set(dataset):
    """Without preamble and meta information, implicit little endian."""
    sink = io.BytesIO()
    pydicom.dcmwrite(sink, dataset, implicit_vr=True, little_endian=True, enforce_file_format=False)
    data = sink.getvalue()
    return data[data.index(b"\x08\0\x05\0") :]


@pytest.mark.parametrize("bare", [False, True], ids=["file", "bare data set"])
def test_files_without_uids_get_made_ones_that_belong_together(tmp_path, bare):
    paths = []
    for k, (patient, series) in enumerate([("P1", 1), ("P1", 1), ("P1", 2), ("P2", 1), ("", 1), ("", 1)]):
        pixels = film()
        pixels[0, 0] = k
        dataset = dicom_film(pixels)
        for keyword in ("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID"):
            delattr(dataset, keyword)
        dataset.PatientID, dataset.StudyDate, dataset.SeriesNumber = patient, "20260311", series
        paths.append(tmp_path / f"{k}.dcm")
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        del dataset.file_meta.MediaStorageSOPClassUID, dataset.file_meta.MediaStorageSOPInstanceUID
        if bare:
            dataset.file_meta, dataset.preamble = FileMetaDataset(), None
            paths[-1].write_bytes(bare_data_set(dataset))
        else:
            pydicom.dcmwrite(paths[-1], dataset, enforce_file_format=False)
    status, files = deidentified(paths, tmp_path / "out", "--no-text-in-pixels")
    assert (status, len(files)) == (0, 6)
    made = [pydicom.dcmread(path) for path in files]
    assert len({one.SOPInstanceUID for one in made}) == 6
    assert all(one.SOPInstanceUID.startswith("2.25.") and one.SOPInstanceUID.is_valid for one in made)
    studies, series = ([one[name].value for one in made] for name in ("StudyInstanceUID", "SeriesInstanceUID"))
    assert studies[0] == studies[1] == studies[2]
    assert len(set(studies)) == 4  # P1, P2, and two films that do not say whose they are
    assert series[0] == series[1]
    assert len(set(series)) == 5
    assert {one.SOPClassUID for one in made} == {"1.2.840.10008.5.1.4.1.1.7"}  # Secondary Capture: they do not say more
    assert all(one.file_meta.MediaStorageSOPInstanceUID == one.SOPInstanceUID for one in made)
    _, again = deidentified(paths, tmp_path / "again", "--no-text-in-pixels")
    assert pydicom.dcmread(again[0]).StudyInstanceUID != studies[0]  # of another call: nobody can join them


# ---- films that enter a study ----


def test_films_enter_a_study_without_what_names_the_patient(crowded, plant, tmp_path, capsys):
    folder = tmp_path / "study"
    rules = ["--definitions", "length_mm", "--apical-end", "radiographic apex", "--clicks", "3", "--scale", "observer"]
    films = [path for path in crowded if path.suffix != ".bmp"]
    given = ["study", "init", str(folder), *map(str, films), "--observers", "ANN", "--tooth", "46", *rules]
    assert main(given) == 0
    copies = sorted((folder / "films").iterdir())
    assert len(copies) == len(films)
    after = "\n".join(map(everything, [*copies, folder / "study.json"]))
    assert [place for place, token in plant.tokens.items() if token in after] == []
    pictures = sorted(read(path).values.tobytes() for path in films)
    assert sorted(read(path).values.tobytes() for path in copies) == pictures
    capsys.readouterr()


def test_print_in_a_film_of_a_study_is_pointed_at(tmp_path, capsys):
    made, _ = drawn(film(), 255)
    path = burnt_file(made, "png", tmp_path / "film.png")
    rules = ["--definitions", "length_mm", "--apical-end", "radiographic apex", "--clicks", "3", "--scale", "observer"]
    assert main(["study", "init", str(tmp_path / "s"), str(path), "--observers", "ANN", "--tooth", "46", *rules]) == 0
    assert "film.png may have writing in its pixels" in capsys.readouterr().out


def test_a_box_is_black_in_every_frame_and_print_of_any_is_found(tmp_path):
    first, second = film(), film()
    second, where = drawn(second, 255, at=(150, 10))
    dataset = dicom_film(first)
    dataset.NumberOfFrames, dataset.PixelData = 2, first.tobytes() + second.tobytes()
    path = written(dataset, tmp_path / "film.dcm")
    _, (new,) = deidentified([path], tmp_path / "out", "--redact", "--redact-box", "0,0,10,12")
    frames = pydicom.dcmread(new).pixel_array
    assert frames.shape == (2, ROWS, COLS)
    black = min(first.min(), second.min())
    assert (frames[:, :10, :12] == black).all()
    assert (frames[:, where] == black).all()
    np.testing.assert_array_equal(frames[0, 20:140], first[20:140])
