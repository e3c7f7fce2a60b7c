"""What only the people of a study can say of its data: title, authors, licence, and what the data do not answer."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from attrs import frozen

from wlmeasure.errors import CaseError, StudyError
from wlmeasure.record.members import Each, Nested, Text, Whole, check_distinct, extra_members, member, read_object
from wlmeasure.study.protocol import load_json

__all__ = ["Author", "ColumnWords", "GrrasAnswer", "Publication", "load_publication", "typed_author"]

ORCID = r"\d{4}-\d{4}-\d{4}-\d{3}[\dX]"
_ORCID_URL = re.compile(rf"(?:https?://orcid\.org/)?({ORCID})")
GRRAS_ITEMS = 15


def _nothing_else(value: Any, error: str) -> None:
    if value.extra:
        raise CaseError(f"{error}: there is no member {next(iter(value.extra))[:40]!r}; check its spelling")


@frozen
class Author:
    """One author of the data set. A group has only a `family` name.

    Raises
    ------
    CaseError
        An ORCID iD whose check character is wrong.
    """

    family: str = member(Text(longest=120))
    given: str | None = member(Text(longest=120), None)
    affiliation: str | None = member(Text(longest=300), None)
    orcid: str | None = member(Text(pattern=ORCID), None)
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        _nothing_else(self, "author must have family, given, affiliation and orcid alone")
        if self.orcid is not None and _check_character(self.orcid) != self.orcid[-1]:
            raise CaseError(f"orcid must end in its check character: {self.orcid}; type it again")

    @property
    def name(self) -> str:
        """As it is written in a list of authors."""
        return self.family if self.given is None else f"{self.given} {self.family}"


def _check_character(orcid: str) -> str:
    """ISO/IEC 7064, MOD 11-2, as ORCID iDs have it."""
    total = 0
    for digit in orcid.replace("-", "")[:15]:
        total = 2 * (total + int(digit))
    rest = (12 - total % 11) % 11
    return "X" if rest == 10 else str(rest)


@frozen
class ColumnWords:
    """What a column means that the organiser adds to the table of films."""

    name: str = member(Text(longest=60))
    definition: str = member(Text(longest=500))
    unit: str | None = member(Text(longest=40), None)
    source: str | None = member(Text(longest=300), None)
    extra: dict[str, Any] = extra_members()


@frozen
class GrrasAnswer:
    """The answer to an item of GRRAS that does not stand in the data, or where it stands ("page 3")."""

    item: int = member(Whole(1, GRRAS_ITEMS))
    answer: str = member(Text(longest=2000))
    extra: dict[str, Any] = extra_members()


@frozen
class Publication:
    """What is said of a published study.

    Attributes
    ----------
    licence
        SPDX identifier, such as CC-BY-4.0.
    grras
        Answers to items of the reporting guideline that the data cannot give.
    columns
        Meanings of the columns that are joined to the films.
    """

    title: str | None = member(Text(longest=300), None)
    authors: tuple[Author, ...] = member(Each(Nested(Author), most=500), ())
    licence: str | None = member(Text(longest=60, pattern=r"[A-Za-z0-9][A-Za-z0-9._-]*"), None)
    version: str = member(Text(longest=40), "1.0.0")
    doi: str | None = member(Text(longest=200, pattern=r"10\.\d{4,9}/\S+"), None)
    description: str | None = member(Text(longest=2000), None)
    keywords: tuple[str, ...] = member(Each(Text(longest=80), most=50), ())
    grras: tuple[GrrasAnswer, ...] = member(Each(Nested(GrrasAnswer), most=GRRAS_ITEMS), ())
    columns: tuple[ColumnWords, ...] = member(Each(Nested(ColumnWords), most=200), ())
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        _nothing_else(self, "settings must have members of a publication alone")
        check_distinct(CaseError, "grras", "item", [str(one.item) for one in self.grras])
        check_distinct(CaseError, "columns", "name", [one.name for one in self.columns])

    def check(self) -> None:
        """Refuse what cannot be published for want of a title, an author or a licence.

        Raises
        ------
        StudyError
            Names all that is missing, and how to give it.
        """
        given = {"title": self.title, "author": self.authors, "licence": self.licence}
        missing = [name for name, value in given.items() if not value]
        if missing:
            said = " and ".join(filter(None, [", ".join(missing[:-1]), missing[-1]]))
            raise StudyError(
                f"publication must have a title, authors and a licence: {said} missing; use --title TEXT, "
                '--author "Family, Given; affiliation; ORCID" (repeat it), --licence CC-BY-4.0, or --settings FILE.json'
            )


def load_publication(path: str | Path) -> Publication:
    """The members of :class:`Publication` from a JSON file.

    Raises
    ------
    StudyError
        Not such a file; names the member.
    OSError
        It cannot be read.
    """
    path = Path(path)
    try:
        found: Publication = read_object(Publication, load_json(path), "")
    except CaseError as error:
        raise StudyError(f"{path.name}: {str(error).replace('a case file needs it', 'it is needed')}") from None
    return found


def typed_author(text: str) -> Author:
    """An author as typed: ``Family, Given; affiliation; ORCID``, all but the family name optional.

    Raises
    ------
    StudyError
        No name, more than one affiliation.
    """
    name, *rest = [part.strip() for part in text.split(";")]
    orcid = [one for part in rest if (one := _ORCID_URL.fullmatch(part))]
    other = [part for part in rest if part and _ORCID_URL.fullmatch(part) is None]
    family, _, given = (part.strip() for part in name.partition(","))
    if not family or len(other) > 1 or len(orcid) > 1:
        raise StudyError(f'author must be typed as "Family, Given; affiliation; ORCID": {text[:80]!r}')
    try:
        said = {"family": family, "given": given or None, "affiliation": other[0] if other else None}
        made: Author = read_object(Author, said | {"orcid": orcid[0][1] if orcid else None}, "author")
    except CaseError as error:
        raise StudyError(str(error)) from None
    return made
