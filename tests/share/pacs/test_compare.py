"""Two data sets are equal or the differing elements are named: whatever the encoding, whatever the element."""

import copy
import re

import numpy as np
import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.tag import BaseTag
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian, RLELossless

from wlmeasure.errors import PacsError
from wlmeasure.share.dicom.objects import dicom_bytes, file_meta
from wlmeasure.share.pacs.compare import difference_words, differences
from wlmeasure.share.pacs.instance import checked_uid, instance_of, own_name, read_instance
from wlmeasure.share.pacs.send import without_doubles

from .conftest import io_film

PIXELS = np.arange(64, dtype=np.uint16).reshape(8, 8)


def read_as(film, syntax, tmp_path):
    film = copy.deepcopy(film)
    path = tmp_path / f"{syntax}.dcm"
    film.file_meta = file_meta(film, syntax)
    if syntax == ExplicitVRBigEndian:
        film.PixelData = np.frombuffer(film.PixelData, "<u2").astype(">u2").tobytes()
    film.preamble = b"\0" * 128
    pydicom.dcmwrite(path, film, implicit_vr=syntax.is_implicit_VR, little_endian=syntax.is_little_endian)
    return pydicom.dcmread(path)


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian])
def test_another_encoding_of_the_same_is_equal(tmp_path, syntax):
    film = io_film(PIXELS, DeviceSerialNumber="", WindowWidth=[1.50, 2.25])
    one = read_as(film, ExplicitVRLittleEndian, tmp_path)
    other = read_as(film, syntax, tmp_path)
    assert one.original_encoding != other.original_encoding
    assert differences(one, other) == ()
    changed = copy.deepcopy(film)
    changed.PrimaryAnatomicStructureSequence[0].CodeValue = "1"
    changed.WindowWidth = [1.5, 2.26]
    other = read_as(changed, syntax, tmp_path)
    assert differences(one, other) == ("PrimaryAnatomicStructureSequence[1].CodeValue", "WindowWidth")


def test_a_picture_compressed_without_loss_is_equal_and_one_that_changed_is_not(small):
    one, other = small(), small()
    other.dataset.compress(RLELossless, generate_instance_uid=False)
    packed = instance_of(dicom_bytes(other.dataset), "packed")
    assert differences(one.dataset, packed.dataset) == ()
    off_by_one = small(PixelData=(PIXELS + (PIXELS == 63)).tobytes())
    off_by_one.dataset.compress(RLELossless, generate_instance_uid=False)
    assert differences(one.dataset, instance_of(dicom_bytes(off_by_one.dataset), "x").dataset) == ("PixelData",)


def test_every_element_counts(tmp_path):
    """Each element of a film taken away, or added, in turn is the one that is named."""
    film = io_film(PIXELS)
    block = film.private_block(0x0011, "OURS", create=True)
    block.add_new(1, "LO", "x")
    film.add_new((0x0011, 0x1002), "FD", float("nan"))
    one = read_as(film, ExplicitVRLittleEndian, tmp_path)
    assert differences(one, read_as(film, ExplicitVRLittleEndian, tmp_path)) == ()
    names = []
    for element in film:
        without = read_as(film, ExplicitVRLittleEndian, tmp_path)
        del without[element.tag]
        name = element.keyword or str(element.tag)
        assert differences(one, without) == differences(without, one) == (name,)
        names.append(name)
    assert len(names) == len(set(names)) > 60


VALUES = {
    "PatientName": st.sampled_from(["A^B", "A^C", "Bär^A", ""]),
    "PatientID": st.sampled_from(["1", "2", "01"]),
    "ImagerPixelSpacing": st.sampled_from([[0.04, 0.03], [0.04, 0.031], [0.03, 0.04]]),
    "SeriesNumber": st.sampled_from([1, 2, None]),
    "WindowCenter": st.sampled_from([1500, 1501.5]),
    "ImageType": st.sampled_from([["ORIGINAL", "PRIMARY", ""], ["DERIVED", "PRIMARY", ""], ["ORIGINAL", "PRIMARY"]]),
}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=st.fixed_dictionaries(VALUES), second=st.fixed_dictionaries(VALUES))
def test_what_differs_is_what_was_made_different(tmp_path, first, second):
    one = read_as(io_film(PIXELS, **first), ExplicitVRLittleEndian, tmp_path)
    other = read_as(io_film(PIXELS, **second), ImplicitVRLittleEndian, tmp_path)
    assert set(differences(one, other)) == {name for name in VALUES if first[name] != second[name]}
    assert differences(other, one) == differences(one, other)
    assert differences(one, one) == ()


def test_an_element_that_cannot_be_read_is_equal_byte_for_byte_or_different(small):
    one = small()
    broken, other = (one.data.replace(b"20261101", text) for text in (b"\xff\xfe no day"[:8], b"\xff\xfd no day"[:8]))
    first, same, second = (instance_of(data, "x").dataset for data in (broken, broken, other))
    assert differences(first, same) == ()
    assert differences(first, second) == ("StudyDate", "AcquisitionDate", "ContentDate")
    number = (0x0028, 0x0010)  # Rows in one byte
    second = instance_of(broken, "x").dataset
    second._dict[BaseTag(0x00280010)] = second.get_item(number)._replace(value=b"\x08", length=1)
    assert "Rows" in differences(first, second)


def test_pixels_of_a_claimed_size_are_not_decoded(small):
    """A held copy that claims a huge picture differs; no memory is taken for it."""
    one = small()
    found = differences(one.dataset, small(Rows=60000, Columns=60000, PixelData=b"\1" * 130).dataset)
    assert found == ("Rows", "Columns", "PixelData")


def test_many_differences_are_told_in_short():
    assert difference_words(tuple("abc")) == "a, b, c"
    assert difference_words(tuple("abcdefgh")) == "a, b, c, d, e, f and 2 more"


# ---- instances -----------------------------------------------------------------------------------------------------


def test_a_file_name_is_never_a_headers_text(small):
    one = small(PatientName="../../etc/passwd", SOPInstanceUID="1.2.3")
    assert re.fullmatch(r"film_[0-9a-f]{12}\.dcm", own_name(one))
    assert own_name(one) != own_name(small(SOPInstanceUID="1.2.4"))


@pytest.mark.parametrize("uid", ["../../x", "1.2.3/../4", "", "1", "1..2", "x", "1.2.٣"])
def test_an_identifier_that_is_none_is_refused(small, uid):
    data = small().data.replace(b"1.2.3.4.1\0", uid.encode().ljust(10, b"\0"))
    with pytest.raises(PacsError, match="SOPInstanceUID must be a unique identifier"):
        instance_of(data, "x.dcm")
    with pytest.raises(PacsError, match="must be a unique identifier"):
        checked_uid("1." * 32 + "1", "it")


def test_what_is_no_dicom_file_is_refused(tmp_path):
    for data in (b"", b"x" * 200, b"\0" * 128 + b"DICM" + b"\xff" * 50):
        (tmp_path / "x.dcm").write_bytes(data)
        with pytest.raises(PacsError, match=r"x\.dcm"):
            read_instance(tmp_path / "x.dcm")
    with pytest.raises(PacsError, match="cannot be opened"):
        read_instance(tmp_path / "none.dcm")


def test_two_files_with_one_identifier_must_be_equal(small):
    one = small()
    assert without_doubles([one, small()]) == [one]
    with pytest.raises(PacsError, match=r"must not share SOP Instance UID.*differ in StationName"):
        without_doubles([one, small(StationName="ROOM9")])
