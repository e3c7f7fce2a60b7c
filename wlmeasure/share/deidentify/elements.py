"""What is done to one DICOM data set: each attribute by its row of the profile's table, wherever it stands.

Beyond the profile, text of an attribute that is not in the table is kept only where a machine writes it of itself: a table
cannot know what somebody typed where. In structured reports and presentation states the structure, the numbers, the codes and
the graphics stay, and every typed word goes. UIDs are replaced by the same new ones in all files of one call, so that a report
still refers to its image. What stands in the pixels is the affair of :mod:`wlmeasure.share.deidentify.batch`.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy

import numpy as np
import pydicom
from attrs import frozen
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate, generate_frames
from pydicom.sequence import Sequence as Items
from pydicom.tag import BaseTag
from pydicom.uid import PYDICOM_IMPLEMENTATION_UID, UID

from wlmeasure.errors import ImageError
from wlmeasure.image.bare import bare_stream
from wlmeasure.image.decoding import NATIVE
from wlmeasure.image.radiograph import printable
from wlmeasure.share.deidentify.identity import IMAGE_CLASS, missing_uids, new_uid, said
from wlmeasure.share.deidentify.meanings import is_scheme, is_value, meaning
from wlmeasure.share.deidentify.profile import (
    BYTES,
    DUMMIES,
    FREE_TEXT,
    KEPT_BYTES,
    KEPT_CONCEPTS,
    KEPT_TEXT,
    KEPT_UIDS,
    NEEDED,
    NEEDED_TEXT,
    NEUTRAL_WORDS,
    REMOVED,
    STANDARD_TERMS,
    STANDARD_UIDS,
    TERMS,
    Profile,
    Row,
    table,
)
from wlmeasure.share.dicom.codes import SCHEME_NAME
from wlmeasure.share.dicom.objects import MAKER

__all__ = ["Change", "Kept", "cleaned", "code_item", "deidentify", "has_picture"]

_METHOD = "PS3.15 annex E, table-driven; typed text removed"
LONG_NUMBER = 6
"""Digits of a number that may be a date or the number of a patient (our parameter)."""
_OWN = ("PatientIdentityRemoved", "DeidentificationMethod", "LongitudinalTemporalInformationModified")


@frozen
class Change:
    """What was done to one element: never its old value."""

    file: str
    where: str
    action: str


@frozen
class Kept:
    """A text that stays in a file, because the profile keeps it: to be looked at by whoever hands the file on."""

    file: str
    where: str
    value: str


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

    Raises
    ------
    ImageError
        One that is neither a picture nor says what it is.
    """
    options = Profile() if profile is None else profile
    secret = secrets.token_bytes(32) if key is None else key
    out: list[Dataset] = []
    changes: list[Change] = []
    for number, dataset in enumerate(datasets, 1):
        made, done, _ = cleaned(dataset, options, secret, str(number))
        out.append(made)
        changes += done
    return tuple(out), tuple(changes)


def cleaned(
    dataset: Dataset, profile: Profile, key: bytes, name: str
) -> tuple[Dataset, tuple[Change, ...], tuple[Kept, ...]]:
    """A de-identified copy of one data set, what was done to it and what stays, under a name for both lists.

    Raises
    ------
    ImageError
        It is neither a picture nor says what it is, or its header cannot be read.
    """
    work = _Work(profile, key, name)
    out = work.cleaned(dataset)
    kept = dict.fromkeys(Kept(name, where, value) for where, value in _stays(out, "", uids=profile.retain_uids))
    return out, tuple(work.changes), tuple(kept)


def has_picture(dataset: Dataset) -> bool:
    """Whether there are pixels, in which text may stand."""
    return any(name in dataset for name in ("PixelData", "FloatPixelData", "DoubleFloatPixelData"))


def _stays(dataset: Dataset, where: str, *, uids: bool) -> Iterator[tuple[str, str]]:
    """What is left and may tell of somebody: place, without numbers of items, and value; but what we wrote ourselves.

    Texts, long numbers, UIDs of classes and schemes that are not the standard's, and all where `uids` were retained.
    """
    for element in dataset:
        if element.keyword in _OWN or element.keyword == "DeidentificationMethodCodeSequence":
            continue
        if element.VR == "SQ":
            for item in element.value:
                yield from _stays(item, f"{where}{element.keyword}.", uids=uids)
            continue
        parts = element.value if isinstance(element.value, pydicom.multival.MultiValue) else [element.value]
        if element.VR == "UI" and (uids or element.keyword in KEPT_UIDS):
            for uid in parts:
                if uid and not str(uid).startswith(STANDARD_UIDS):
                    yield f"{where}{element.keyword}", str(uid)
        elif element.VR == "IS" and any(len(str(part)) >= LONG_NUMBER for part in parts):
            yield f"{where}{element.keyword}", "\\".join(map(str, parts))
        elif element.VR in (*FREE_TEXT, "CS") and element.value:
            value = "\\".join(map(str, parts))
            if element.VR == "CS" and STANDARD_TERMS.issuperset(map(str, parts)):
                continue
            of_code = said(dataset, "CodeValue"), said(dataset, "CodingSchemeDesignator")
            known = element.keyword in _CODED and (element.keyword not in _VALUES or meaning(*of_code) is not None)
            if value not in DUMMIES.values() and not known:
                yield f"{where}{element.keyword}", value


class _Work:
    """One data set on its way through the table."""

    def __init__(self, profile: Profile, key: bytes, name: str) -> None:
        self.profile, self.key, self.name = profile, key, name
        self.changes: list[Change] = []
        self._layers: dict[str, str] = {}

    def cleaned(self, dataset: Dataset) -> Dataset:
        out = deepcopy(dataset)
        made = missing_uids(out, self.key, self._content(out)) | {"SOPClassUID": self._class(dataset)}
        self._clean(out, "", in_content=False)
        for keyword, uid in made.items():
            if said(out, keyword):
                continue
            if not uid:
                raise ImageError(
                    "SOP Class UID must say what the file is, or it must have a picture: neither; leave it out"
                )
            setattr(out, keyword, uid)
            self._note(keyword, "made: the file has none")
        if not has_picture(out) and "Image Storage" in UID(out.SOPClassUID).name:
            raise ImageError("DICOM file is damaged or truncated: its header ends before the picture; export it again")
        out.PatientIdentityRemoved = "YES"
        out.DeidentificationMethod = _METHOD
        out.DeidentificationMethodCodeSequence = Items([code_item(*code) for code in self.profile.codes()])
        out.LongitudinalTemporalInformationModified = "REMOVED"
        if isinstance(out, FileDataset):
            self._file_meta(out)
            self._picture(out)
        return out

    @staticmethod
    def _class(dataset: Dataset) -> UID:
        """What the file is where its data set does not say: by the meta information, else by its picture; empty if neither."""
        declared = UID(said(dataset.file_meta, "MediaStorageSOPClassUID") if isinstance(dataset, FileDataset) else "")
        return declared if declared and declared.is_valid else UID(IMAGE_CLASS if has_picture(dataset) else "")

    @staticmethod
    def _content(dataset: Dataset) -> bytes:
        """What tells one instance from another where no UID does."""
        if "PixelData" in dataset:
            return bytes(dataset.PixelData or b"") + said(dataset, "InstanceNumber").encode()
        return str(dataset).encode("utf-8", "surrogatepass")

    def _file_meta(self, out: FileDataset) -> None:
        """Preamble and meta information anew: both may hold what the writer's machine was called."""
        syntax = out.file_meta.get("TransferSyntaxUID") if out.file_meta else None
        if any(out.preamble or b""):
            self._note("preamble", "removed")
        out.preamble = b"\0" * 128
        out.file_meta = FileMetaDataset()
        out.file_meta.MediaStorageSOPClassUID = out.SOPClassUID
        out.file_meta.MediaStorageSOPInstanceUID = out.SOPInstanceUID
        out.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.1") if syntax is None else syntax
        out.file_meta.ImplementationClassUID = PYDICOM_IMPLEMENTATION_UID

    def _picture(self, out: FileDataset) -> None:
        """Whatever lies about the picture within Pixel Data: comments in frames, bits that no sample uses, bytes behind it."""
        if "PixelData" not in out or not out.PixelData:
            return
        before, syntax = out.PixelData, str(out.file_meta.TransferSyntaxUID)
        try:
            if syntax in NATIVE:
                out.PixelData = _stored_alone(out, before)
            else:
                frames = [
                    bare_stream(one)
                    for one in generate_frames(before, number_of_frames=int(out.get("NumberOfFrames") or 1))
                ]
                if frames:
                    out.PixelData = encapsulate(frames)
                    for keyword in ("ExtendedOffsetTable", "ExtendedOffsetTableLengths"):
                        if keyword in out:
                            del out[keyword]
        except ImageError:
            raise
        except Exception as error:  # pydicom raises what struct and the offset tables raise
            raise ImageError(f"DICOM Pixel Data is damaged: {printable(error)}; export it again") from error
        if out.PixelData != before and syntax in NATIVE:
            self._note("PixelData", "removed: what belongs to no sample")

    def _clean(self, dataset: Dataset, where: str, *, in_content: bool) -> None:
        for tag in list(dataset.keys()):
            if tag.group in (0x0000, 0x0002, 0x0004, 0x0006) or (
                tag.group > 0x7FE0 and tag.group not in (0xFFFA, 0xFFFC)
            ):
                self._drop(dataset, tag, f"{where}({tag})", "private" if tag.is_private else "beyond the data set")
                continue
            try:
                element = dataset[tag]
            except Exception as error:  # pydicom converts on access and raises what the conversion raises
                if tag.group == 0x0028:
                    raise ImageError(f"DICOM header is damaged: {printable(error)}; export it again") from error
                self._drop(dataset, tag, f"{where}({tag})", "cannot be read")
                continue
            self._element(dataset, element, f"{where}{element.keyword or f'({element.tag})'}", in_content)

    def _element(self, dataset: Dataset, element: DataElement, where: str, in_content: bool) -> None:
        tag, row = element.tag, table().get(int(element.tag))
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
        elif element.keyword in _CODED:
            self._coded(dataset, element, where)
        elif element.VR in FREE_TEXT and element.keyword not in KEPT_TEXT:
            self._typed(dataset, element, where)
        elif element.keyword == "GraphicLayer":
            self._layer(element, where)
        elif element.VR in BYTES and element.keyword not in KEPT_BYTES:
            self._drop(dataset, tag, where, "bytes that may hold anything")
        elif element.VR in ("DA", "TM", "DT") and element.value:
            self._put(element, DUMMIES[element.VR], where)
        elif element.VR == "UN":
            self._drop(dataset, tag, where, "of unknown form")

    def _typed(self, dataset: Dataset, element: DataElement, where: str) -> None:
        """A text that somebody may have typed, in an attribute of which the table knows nothing."""
        if element.value in (None, "") or element.value in TERMS.get(element.keyword, ()):
            return
        if element.keyword in TERMS:
            self._put(element, "US", where)  # unspecified
        elif element.keyword in NEEDED_TEXT:
            self._put(element, REMOVED, where)
        elif element.keyword == "WindowCenterWidthExplanation":
            self._drop(dataset, element.tag, where, "typed text")  # it must have as many values as there are windows
        else:
            element.value = None  # kept empty: the object may need the element, nobody needs the words
            self._note(where, "emptied: typed text")

    def _coded(self, dataset: Dataset, element: DataElement, where: str) -> None:
        """One part of a code: known schemes and values of their form stay; the words are the standard's or none."""
        scheme, value = said(dataset, "CodingSchemeDesignator"), str(element.value or "")
        if not value:
            return
        if element.keyword == "CodingSchemeDesignator":
            new = value if is_scheme(value) else "99REMOVED"  # somebody's own scheme names its owner
        elif element.keyword == "CodeMeaning":
            code = said(dataset, "CodeValue") or said(dataset, "LongCodeValue")
            new = meaning(code, scheme) or REMOVED
        elif element.keyword in _VALUES:
            new = value if is_value(value, scheme) else REMOVED
        elif element.keyword == "CodingSchemeVersion":
            new = value if is_scheme(scheme) and re.fullmatch(r"\d{1,8}|\d+\.\d+", value) else ""
        else:
            new = value if value in (SCHEME_NAME, MAKER) else REMOVED
        if new != value:
            self._put(element, new, where)

    def _layer(self, element: DataElement, where: str) -> None:
        """A layer's name joins what is drawn to its layer, so that equal names get equal new ones."""
        name = str(element.value or "")
        if name:
            self._put(element, self._layers.setdefault(name, f"LAYER{len(self._layers) + 1}"), where)

    def _kept_descriptor(self, element: DataElement, row: Row) -> bool:
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
            element.value = Items([code_item(REMOVED.upper(), REMOVED, scheme="99REMOVED")])
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

    def _items(self, element: DataElement, where: str, clean: Callable[[Dataset, str], None]) -> None:
        for k, item in enumerate(element.value):
            clean(item, f"{where}[{k}].")

    def _uids(self, element: DataElement, where: str) -> None:
        if element.value is None:
            return
        kept = self.profile.retain_uids or element.keyword in KEPT_UIDS
        values = element.value if isinstance(element.value, (list, pydicom.multival.MultiValue)) else [element.value]
        new = [self._uid(UID(str(uid)), kept=kept) for uid in values]
        if new != list(values):
            element.value = new if len(new) != 1 else new[0]
            self._note(where, "new UID")

    def _uid(self, old: UID, *, kept: bool) -> UID:
        if not old or (old.is_valid and (kept or old.startswith(STANDARD_UIDS))):
            return old
        return new_uid(self.key, str(old))

    def _drop(self, dataset: Dataset, tag: BaseTag, where: str, why: str) -> None:
        del dataset[tag]
        self._note(where, "removed" if why == "removed" else f"removed: {why}")

    def _put(self, element: DataElement, value: object, where: str) -> None:
        element.value = value
        self._note(where, "replaced")

    def _note(self, where: str, action: str) -> None:
        self.changes.append(Change(self.name, where, action))


_VALUES = ("CodeValue", "LongCodeValue")
_CODED = frozenset(
    (
        *("CodeValue", "LongCodeValue", "CodeMeaning", "CodingSchemeDesignator", "CodingSchemeVersion"),
        *("CodingSchemeName", "CodingSchemeResponsibleOrganization"),
    )
)


def _stored_alone(dataset: Dataset, content: bytes) -> bytes:
    """Native Pixel Data cut at the picture's end, every bit cleared that belongs to no sample: overlays were kept there."""
    allocated, stored = int(dataset.BitsAllocated), int(dataset.get("BitsStored") or dataset.BitsAllocated)
    frames, channels = int(dataset.get("NumberOfFrames") or 1), int(dataset.get("SamplesPerPixel") or 1)
    samples = frames * channels * int(dataset.Rows) * int(dataset.Columns)
    if said(dataset, "PhotometricInterpretation") == "YBR_FULL_422":
        samples = samples * 2 // 3
    needed = (samples * allocated + 7) // 8
    if len(content) < needed:
        raise ImageError(
            f"DICOM file is truncated: Pixel Data must hold {needed} bytes: {len(content)}; export it again"
        )
    content = content[: needed + needed % 2]
    little = UID(dataset.file_meta.TransferSyntaxUID).is_little_endian
    if needed % 2 and little:  # in big-endian words the last sample comes after the byte that fills up
        content = content[:needed] + b"\0" * (len(content) - needed)
    high = int(dataset.get("HighBit") if dataset.get("HighBit") is not None else stored - 1)
    if allocated not in (8, 16, 32) or not stored - 1 <= high < allocated or stored == allocated:
        return content
    order = "<" if little else ">"
    kind = np.dtype(f"{order}u{allocated // 8}")
    words = np.frombuffer(content[: len(content) // kind.itemsize * kind.itemsize], kind)
    low = high + 1 - stored
    kept = (words >> low) & ((1 << stored) - 1)
    if int(dataset.get("PixelRepresentation") or 0) and high < allocated - 1:
        sign = kept >> (stored - 1)  # carried on above, as readers expect that take the whole word
        kept = kept | (sign * (((1 << allocated) - 1) ^ ((1 << stored) - 1)))
    alone = ((kept << low) & ((1 << allocated) - 1)).astype(kind).tobytes()
    return alone + content[len(alone) :]


def _repeating(tag: BaseTag) -> bool:
    """Overlays and curves: groups 60xx and 50xx."""
    return tag.group >> 8 in (0x50, 0x60)


def code_item(value: str, words: str, scheme: str = "DCM") -> Dataset:
    """An item of a code sequence."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, words
    return item
