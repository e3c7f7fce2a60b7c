"""DICOM files without the patient: the basic profile of PS3.15 annex E, from its own table.

What an attribute's row in ``deidentify.csv`` says is done to it wherever it stands. Beyond the profile, text of an attribute
that is not in the table is kept only where it is known to describe equipment, codes or units: a table cannot know what
somebody typed where. In structured reports and presentation states the structure, the numbers, the codes and the graphics
stay, and every typed word goes. UIDs are replaced by the same new ones in all files of one call, so that a report still
refers to its image. What stands in the pixels cannot be seen by a program: it is asked about.

Table: PS3.15, table E.1-1, actions of edition 2026c, option columns of edition 2020a; attributes newer than that have no
descriptor to clean and are removed.
"""

from __future__ import annotations

import csv
import hashlib
import hmac
import re
import secrets
import warnings
from collections.abc import Iterable, Sequence
from copy import deepcopy
from functools import cache
from io import BytesIO
from pathlib import Path

import pydicom
from attrs import astuple, frozen
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as Items
from pydicom.tag import BaseTag
from pydicom.uid import PYDICOM_IMPLEMENTATION_UID, UID

from wlmeasure.errors import ImageError
from wlmeasure.image.dicom_file import check_header, parse
from wlmeasure.image.file_content import file_content
from wlmeasure.image.radiograph import printable
from wlmeasure.share.cells import table_text
from wlmeasure.whole_file import write_whole

__all__ = ["Change", "Deidentified", "Profile", "deidentify", "deidentify_files"]

TABLE = Path(__file__).with_name("deidentify.csv")
STANDARD_UIDS = "1.2.840.10008."
# UIDs of schemes and contexts, which name no patient and no occasion.
KEPT_UIDS = frozenset(
    ("SOPClassUID", "ReferencedSOPClassUID", "TransferSyntaxUID", "CodingSchemeUID", "ContextUID", "MappingResourceUID")
)
# Text that describes equipment, codes, units and geometry. Our list; everything else that can be typed is removed.
KEPT_TEXT = frozenset(
    (
        *("Manufacturer", "ManufacturerModelName", "SoftwareVersions", "CodeValue", "LongCodeValue", "CodeMeaning"),
        *("CodingSchemeDesignator", "CodingSchemeVersion", "CodingSchemeName", "CodingSchemeResponsibleOrganization"),
        *(
            "CodingSchemeExternalID",
            "PixelSpacingCalibrationDescription",
            "PositionReferenceIndicator",
            "MappingResourceName",
        ),
        *(
            "SpecificCharacterSet",
            "GraphicLayer",
            "GraphicLayerDescription",
            "LUTExplanation",
            "WindowCenterWidthExplanation",
        ),
        *("AlgorithmName", "AlgorithmVersion", "DetectorDescription", "RescaleType", "ModalityLUTType"),
        *("SecondaryCaptureDeviceManufacturer", "SecondaryCaptureDeviceManufacturerModelName"),
        "SecondaryCaptureDeviceSoftwareVersions",
    )
)
KEPT_SCHEMES = frozenset(("DCM", "SCT", "SRT", "SNM3", "UCUM", "LN", "FMA", "ISO3950", "99WLM"))
# The table takes these away; a presentation state without them is none (type 1), so they get a value that says nothing.
NEEDED = frozenset(("PresentationCreationDate", "PresentationCreationTime"))
CODE_TEXT = frozenset(
    ("CodeValue", "LongCodeValue", "CodeMeaning", "CodingSchemeName", "CodingSchemeResponsibleOrganization")
)
KEPT_CONCEPTS = frozenset((("111001", "DCM"), ("111003", "DCM")))  # algorithm name and version
FREE_TEXT = ("LO", "SH", "ST", "LT", "UT", "UC", "PN")
REMOVED = "removed"
DUMMIES = {
    **dict.fromkeys(("LO", "SH", "ST", "LT", "UT", "UC"), REMOVED),
    **{"PN": "Anonymous", "DA": "19700101", "TM": "000000", "DT": "19700101000000", "AS": "000Y", "AE": "REMOVED"},
    **{"IS": "0", "DS": "0", "CS": "REMOVED", "UR": "urn:removed"},
    **dict.fromkeys(("US", "SS", "UL", "SL", "UV", "SV", "FL", "FD"), 0),
}
# Words that a descriptor may consist of to be kept by the option "clean descriptors". Our list.
NEUTRAL_WORDS = frozenset(
    (
        *("periapical", "intraoral", "intra", "oral", "radiograph", "x", "ray", "film", "sensor", "image"),
        *("dental", "endodontic", "endodontics", "tooth", "teeth", "root", "canal", "molar", "premolar"),
        *("incisor", "canine", "upper", "lower", "left", "right", "maxillary", "mandibular", "working", "length"),
        *("trial", "file", "cone", "fit", "filling", "preoperative", "postoperative", "bitewing", "presentation"),
        *("processing", "report", "measurement", "calibrated", "copy", "derived", "original"),
    )
)


@frozen
class Profile:
    """Which options of the profile are taken besides its basic form."""

    retain_uids: bool = False
    clean_descriptors: bool = False

    @property
    def codes(self) -> tuple[tuple[str, str], ...]:
        """Codes of CID 7050 for the method sequence."""
        codes = [("113100", "Basic Application Confidentiality Profile"), ("113104", "Clean Structured Content Option"),
                 ("113103", "Clean Graphics Option")]  # fmt: skip
        if self.retain_uids:
            codes.append(("113110", "Retain UIDs Option"))
        if self.clean_descriptors:
            codes.append(("113105", "Clean Descriptors Option"))
        return tuple(codes)


@frozen
class Change:
    """What was done to one element: never its old value."""

    file: str
    where: str
    action: str


@frozen
class Deidentified:
    """The files written, and everything that was done to them."""

    files: tuple[Path, ...]
    changes: tuple[Change, ...]


@frozen
class _Row:
    basic: str
    retain_uids: str
    clean_descriptors: str


@cache
def _table() -> dict[int, _Row]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {
            int(row["tag"], 16): _Row(row["basic"], row["retain_uids"], row["clean_descriptors"])
            for row in csv.DictReader(file)
        }


def deidentify(
    datasets: Sequence[Dataset], profile: Profile | None = None, *, key: bytes | None = None
) -> tuple[tuple[Dataset, ...], tuple[Change, ...]]:
    """De-identified copies of data sets that belong together.

    Parameters
    ----------
    datasets
        Images, structured reports and presentation states; they are not changed.
    profile
        The options; the basic profile by default.
    key
        What new UIDs are derived from: the same key gives the same UIDs again. Random by default, and then nobody can
        derive them from the old ones.

    Returns
    -------
    tuple of Dataset, tuple of Change
        In the order given; the changes name the data sets by their numbers, from 1.
    """
    options = Profile() if profile is None else profile
    secret = secrets.token_bytes(32) if key is None else key
    out, changes = [], []
    for number, dataset in enumerate(datasets, 1):
        work = _Work(options, secret, str(number))
        out.append(work.cleaned(dataset))
        changes += work.changes
    return tuple(out), tuple(changes)


def deidentify_files(
    paths: Iterable[str | Path],
    folder: str | Path,
    profile: Profile | None = None,
    *,
    no_text_in_pixels: bool = False,
    key: bytes | None = None,
) -> Deidentified:
    """De-identify DICOM files into a folder, under names of our own, with ``removed.csv`` beside them.

    Parameters
    ----------
    paths
        The files; all that belong together in one call, so that they still refer to each other.
    folder
        A new or empty folder.
    profile, key
        As :func:`deidentify`.
    no_text_in_pixels
        Somebody looked at every picture and found no writing in it. Without it files that do not say so themselves are
        refused.

    Raises
    ------
    ImageError
        Not a DICOM file, a folder that holds something, pictures that nobody has looked at. Nothing is written then.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ImageError(f"{folder} must be a new or empty folder: it holds other files; choose another one")
    given = [Path(path) for path in paths]
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore"
        )  # pydicom's, of what is damaged or written wrongly; it goes on as it is or is refused
        return _deidentified(given, folder, profile or Profile(), no_text_in_pixels, key)


def _deidentified(
    given: Sequence[Path], folder: Path, profile: Profile, no_text_in_pixels: bool, key: bytes | None
) -> Deidentified:
    read = [_read(path) for path in given]
    if not read:
        raise ImageError("files must be at least one DICOM file: none given")
    unseen = [
        path.name
        for path, d in zip(given, read, strict=True)
        if _has_picture(d) and _said(d, "BurnedInAnnotation").upper() != "NO"
    ]
    if unseen and not no_text_in_pixels:
        raise ImageError(
            f"pictures must be looked at for names and numbers in the pixels: {', '.join(unseen[:5])}"
            f"{' and more' if len(unseen) > 5 else ''} do not say that they have none; look, and say so by --no-text-in-pixels"
        )
    try:
        cleaned, changes = deidentify(read, profile, key=key)
        names = [f"{number:04d}.dcm" for number in range(1, len(cleaned) + 1)]
        contents = [_bytes(dataset) for dataset in cleaned]
    except Exception as error:  # a hostile header can raise nearly anything out of pydicom; then nothing is written
        raise ImageError(
            f"header of a file must be one that can be written: {printable(error)}; leave it out"
        ) from error
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in zip(names, contents, strict=True):
        write_whole(folder / name, content)
    told = tuple(Change(names[int(change.file) - 1], change.where, change.action) for change in changes)
    write_whole(folder / "removed.csv", table_text([("file", "element", "action"), *map(astuple, told)]))
    return Deidentified(tuple(folder / name for name in names), told)


def _read(path: Path) -> FileDataset:
    try:
        data = file_content(path)
        if data[128:132] != b"DICM":
            raise ImageError("it is none")
        dataset = parse(data)
        check_header(dataset)
    except ImageError as error:
        raise ImageError(f"{path.name} must be a DICOM file: {error}; leave it out") from None
    if not _said(dataset, "SOPClassUID") or not _said(dataset, "SOPInstanceUID"):
        raise ImageError(f"{path.name} must have a SOP Class UID and a SOP Instance UID: it lacks one; leave it out")
    return dataset


def _said(dataset: Dataset, keyword: str) -> str:
    """An attribute as text; what cannot be read is as good as absent."""
    try:
        return str(dataset.get(keyword, "") or "")
    except Exception:  # pydicom converts on access and raises what the conversion raises
        return ""


def _bytes(dataset: Dataset) -> bytes:
    sink = BytesIO()
    dataset.save_as(sink, enforce_file_format=True)
    return sink.getvalue()


def _has_picture(dataset: Dataset) -> bool:
    return any(name in dataset for name in ("PixelData", "FloatPixelData", "DoubleFloatPixelData"))


class _Work:
    """One data set on its way through the table."""

    def __init__(self, profile: Profile, key: bytes, name: str) -> None:
        self.profile, self.key, self.name = profile, key, name
        self.changes: list[Change] = []

    def cleaned(self, dataset: Dataset) -> Dataset:
        out = deepcopy(dataset)
        self._clean(out, "", in_content=False)
        out.PatientIdentityRemoved = "YES"
        out.DeidentificationMethod = "PS3.15 annex E, table-driven; typed text removed"
        out.DeidentificationMethodCodeSequence = Items([_code(*code) for code in self.profile.codes])
        out.LongitudinalTemporalInformationModified = "REMOVED"
        if _has_picture(out):
            out.BurnedInAnnotation = "NO"  # said by the file or by the person who looked
        if isinstance(out, FileDataset):
            # Preamble and meta information are written anew: both may hold what the writer's machine was called.
            syntax = out.file_meta.get("TransferSyntaxUID") if out.file_meta else None
            out.preamble = b"\0" * 128
            out.file_meta = FileMetaDataset()
            out.file_meta.MediaStorageSOPClassUID = out.SOPClassUID
            out.file_meta.MediaStorageSOPInstanceUID = out.SOPInstanceUID
            out.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.1") if syntax is None else syntax
            out.file_meta.ImplementationClassUID = PYDICOM_IMPLEMENTATION_UID
        return out

    def _clean(self, dataset: Dataset, where: str, *, in_content: bool) -> None:
        for element in list(dataset):
            self._element(dataset, element, f"{where}{element.keyword or f'({element.tag})'}", in_content)

    def _element(self, dataset: Dataset, element: DataElement, where: str, in_content: bool) -> None:
        tag, row = element.tag, _table().get(int(element.tag))
        if tag.is_private:
            self._drop(dataset, tag, where, "private")
        elif not element.keyword and not _repeating(tag):
            self._drop(dataset, tag, where, "not in the dictionary")
        elif _repeating(tag):
            self._drop(dataset, tag, where, "overlay or curve")
        elif element.keyword == "ContentSequence" and element.VR == "SQ":
            self._items(element, where, self._content_item)
        elif element.keyword == "GraphicAnnotationSequence" and element.VR == "SQ":
            self._items(element, where, self._graphic_item)
        elif element.VR == "UI":
            self._uids(element, where)
        elif row is not None and self._kept_descriptor(element, row):
            pass
        elif row is not None:
            self._act(dataset, element, row.basic, where)
        elif element.VR == "SQ":
            self._items(element, where, lambda item, at: self._clean(item, at, in_content=in_content))
        elif element.VR in FREE_TEXT and element.keyword not in KEPT_TEXT:
            element.value = None  # kept empty: the object may need the element, nobody needs the words
            self._note(where, "emptied: typed text")
        elif element.keyword == "CodingSchemeDesignator" and str(element.value) not in KEPT_SCHEMES:
            self._put(element, "99REMOVED", where)  # somebody's own scheme names its owner
        elif element.keyword in CODE_TEXT and str(dataset.get("CodingSchemeDesignator", "")) not in KEPT_SCHEMES:
            self._put(element, REMOVED, where)
        elif element.VR in ("DA", "TM", "DT") and element.value:
            self._put(element, DUMMIES[element.VR], where)
        elif element.VR == "UN":
            self._drop(dataset, tag, where, "of unknown form")

    def _kept_descriptor(self, element: DataElement, row: _Row) -> bool:
        """Whether the option keeps a descriptor: each of its words is neutral."""
        if not self.profile.clean_descriptors or row.clean_descriptors != "C" or element.VR not in FREE_TEXT:
            return False
        words = re.findall(r"\w+", str(element.value).lower())
        return bool(words) and all(word in NEUTRAL_WORDS for word in words)

    def _act(self, dataset: Dataset, element: DataElement, action: str, where: str) -> None:
        if action == "X" and element.keyword in NEEDED:
            self._dummy(dataset, element, where)
        elif action == "X":
            self._drop(dataset, element.tag, where, "removed")
        elif action == "X/Z/U*":
            self._items(element, where, lambda item, at: self._clean(item, at, in_content=False))
        elif "D" in action and not (element.VR == "SQ" and "Z" in action):
            self._dummy(dataset, element, where)
        elif "Z" in action:
            element.value = Items() if element.VR == "SQ" else None
            self._note(where, "emptied")
        else:
            self._drop(dataset, element.tag, where, "removed")

    def _dummy(self, dataset: Dataset, element: DataElement, where: str) -> None:
        if element.VR == "SQ":
            element.value = Items([_code(REMOVED.upper(), REMOVED, scheme="99REMOVED")])
            self._note(where, "replaced")
        elif element.VR in DUMMIES:
            self._put(element, DUMMIES[element.VR], where)
        else:
            self._drop(dataset, element.tag, where, "removed")

    def _content_item(self, item: Dataset, where: str) -> None:
        """One item of a report: relation, concept, number, code, place and reference stay; what was typed goes."""
        name = item.get("ConceptNameCodeSequence")
        concept = (
            (str(name[0].get("CodeValue", "")), str(name[0].get("CodingSchemeDesignator", ""))) if name else ("", "")
        )
        if "TextValue" in item and concept not in KEPT_CONCEPTS:
            self._put(item["TextValue"], REMOVED, f"{where}TextValue")
        kept = item.get("TextValue") if concept in KEPT_CONCEPTS else REMOVED
        self._clean(item, where, in_content=True)
        if "TextValue" in item or str(item.get("ValueType", "")) == "TEXT":
            item.TextValue = kept

    def _graphic_item(self, item: Dataset, where: str) -> None:
        """One annotation: its graphics stay, its words go."""
        for k, text in enumerate(item.get("TextObjectSequence", [])):
            if "UnformattedTextValue" in text:
                self._put(text["UnformattedTextValue"], REMOVED, f"{where}TextObjectSequence[{k}].UnformattedTextValue")
        kept = [text.get("UnformattedTextValue") for text in item.get("TextObjectSequence", [])]
        self._clean(item, where, in_content=True)
        for text, words in zip(item.get("TextObjectSequence", []), kept, strict=False):
            if words is not None:
                text.UnformattedTextValue = words

    def _items(self, element: DataElement, where: str, clean: object) -> None:
        assert callable(clean)
        for k, item in enumerate(element.value):
            clean(item, f"{where}[{k}].")

    def _uids(self, element: DataElement, where: str) -> None:
        if self.profile.retain_uids or element.keyword in KEPT_UIDS or element.value is None:
            return
        values = element.value if isinstance(element.value, (list, pydicom.multival.MultiValue)) else [element.value]
        new = [uid if not uid or str(uid).startswith(STANDARD_UIDS) else self._uid(str(uid)) for uid in values]
        if new != list(values):
            element.value = new if len(new) != 1 else new[0]
            self._note(where, "new UID")

    def _uid(self, old: str) -> UID:
        # 2.25 and a 128-bit number: PS3.5 annex B.2, here of a keyed hash, so that equal UIDs stay equal.
        digest = hmac.new(self.key, old.encode(), hashlib.sha256).digest()[:16]
        return UID(f"2.25.{int.from_bytes(digest, 'big')}")

    def _drop(self, dataset: Dataset, tag: BaseTag, where: str, why: str) -> None:
        del dataset[tag]
        self._note(where, "removed" if why == "removed" else f"removed: {why}")

    def _put(self, element: DataElement, value: object, where: str) -> None:
        element.value = value
        self._note(where, "replaced")

    def _note(self, where: str, action: str) -> None:
        self.changes.append(Change(self.name, where, action))


def _repeating(tag: BaseTag) -> bool:
    """Overlays and curves: groups 60xx and 50xx."""
    return tag.group >> 8 in (0x50, 0x60)


def _code(value: str, meaning: str, scheme: str = "DCM") -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item
