"""A folder of tables with what each column means: codebook, and ``datapackage.json`` by the Data Package standard.

Source: Data Package, version 2.0 (datapackage.org/standard): Data Package, Data Resource, Table Schema.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from attrs import field, frozen

from wlmeasure.share.cells import table_text
from wlmeasure.study.publication import Publication
from wlmeasure.whole_file import write_whole

__all__ = ["CODEBOOK", "Column", "Table", "codebook", "columns_of", "descriptor", "file_resource", "table_resource"]

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
CODEBOOK = "codebook.csv"
MEDIA = {
    ".csv": "text/csv", ".json": "application/json", ".md": "text/markdown", ".png": "image/png", ".jpeg": "image/jpeg",
    ".jpg": "image/jpeg", ".tiff": "image/tiff", ".tif": "image/tiff", ".bmp": "image/bmp", ".dcm": "application/dicom",
}  # fmt: skip
LICENCES = {
    "CC-BY-4.0": ("Creative Commons Attribution 4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC-BY-SA-4.0": ("Creative Commons Attribution-ShareAlike 4.0", "https://creativecommons.org/licenses/by-sa/4.0/"),
    "CC-BY-NC-4.0": ("Creative Commons Attribution-NonCommercial 4.0", "https://creativecommons.org/licenses/by-nc/4.0/"),
    "CC0-1.0": ("Creative Commons Zero 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
}  # fmt: skip
UNITS = (
    ("mm_per_px_row", "mm per pixel"),
    ("mm_per_px_col", "mm per pixel"),
    ("_mm", "mm"),
    ("_deg", "degrees"),
    ("_px", "pixels"),
)
WHOLE = frozenset({
    "path", "vertex", "vertices", "rows", "cols", "frame", "stored_rows", "stored_cols", "orientation_applied", "repeat",
    "order", "position", "click", "item",
})  # fmt: skip
SIZES = frozenset({"rows", "cols", "stored_rows", "stored_cols"})


@frozen
class Column:
    """One column. `type` is one of the standard's: string, integer, number."""

    name: str
    definition: str
    source: str
    type: str = "string"
    unit: str = ""


@frozen
class Table:
    """One table: its file in the folder, its columns, and its rows where it is still to be written.

    `key` are the columns that tell its rows apart; `refers` a column, the table it refers to, and that table's column.
    """

    path: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[object]] | None = field(default=None, eq=False)
    key: tuple[str, ...] = ()
    refers: tuple[tuple[str, str, str], ...] = ()

    @property
    def name(self) -> str:
        """The resource's name: letters, digits, - and _."""
        return resource_name(self.path)

    def write(self, folder: Path) -> None:
        """Write the rows, if they are still to be written."""
        if self.rows is not None:
            text = table_text([[column.name for column in self.columns], *self.rows])
            write_whole(folder / self.path, text, private=False)


def resource_name(path: str) -> str:
    """A name of a resource for a file, by the pattern of the standard's first version, which is the narrower one."""
    return re.sub(r"[^a-z0-9_-]+", "-", path.rsplit(".", 1)[0].lower())


def columns_of(meanings: dict[str, str], source: str) -> tuple[Column, ...]:
    """Columns whose unit and type stand in their names."""
    return tuple(_column(name, text, source) for name, text in meanings.items())


def _column(name: str, text: str, source: str) -> Column:
    unit = next((said for end, said in UNITS if name.endswith(end)), "pixels" if name in SIZES else "")
    if name == "rel_std":
        unit = "1"
    listed = name == "known_lengths_mm"  # a list in one cell
    numbers = "number" if unit and not listed else "string"
    return Column(name, text, source, "integer" if name in WHOLE else numbers, unit)


def codebook(tables: Sequence[Table]) -> Table:
    """Every column of every table in words, its own columns too."""
    own = (
        Column("table", "File of the table.", "this package"),
        Column("column", "Name of the column.", "this package"),
        Column("type", "Kind of its values, as in datapackage.json.", "this package"),
        Column("unit", "Unit of its values; empty where they have none.", "this package"),
        Column("definition", "What it means.", "this package"),
        Column("source", "Where its values, or the method behind them, come from.", "this package"),
    )
    made = Table(CODEBOOK, "Codebook: what every column means", own, key=("table", "column"))
    rows = [
        (table.path, column.name, column.type, column.unit, column.definition, column.source)
        for table in (*tables, made)
        for column in table.columns
    ]
    return Table(made.path, made.title, own, rows, made.key)


def table_resource(folder: Path, table: Table) -> dict[str, Any]:
    """The resource of a table that stands in the folder."""
    fields = []
    for column in table.columns:
        one: dict[str, Any] = {"name": column.name, "type": column.type, "description": column.definition}
        if column.unit:
            one["unit"] = column.unit
        one["source"] = column.source
        if column.name in table.key:
            one["constraints"] = {"required": True}
        fields.append(one)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": resource_name(other), "fields": [there]}}
            for column, other, there in table.refers
        ]
    return file_resource(folder, table.path, table.title) | {
        "type": "table",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": schema,
    }


def file_resource(folder: Path, path: str, title: str) -> dict[str, Any]:
    """The resource of any file that stands in the folder."""
    content = (folder / path).read_bytes()
    ending = "." + path.rsplit(".", 1)[1].lower()
    return {
        "name": resource_name(path),
        "path": path,
        "title": title,
        "format": ending[1:],
        "mediatype": MEDIA.get(ending, "application/octet-stream"),
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }


def descriptor(
    said: Publication, name: str, created: str, description: str, resources: Iterable[dict[str, Any]]
) -> dict[str, Any]:
    """What ``datapackage.json`` holds; `created` by RFC 3339."""
    assert said.licence is not None
    title, url = LICENCES.get(said.licence, (None, None))
    licence = {"name": said.licence} | ({} if title is None else {"title": title, "path": url})
    return {
        "$schema": PROFILE,
        "name": name,
        **({} if said.doi is None else {"id": f"https://doi.org/{said.doi}"}),
        "title": said.title,
        "description": description,
        "version": said.version,
        "created": created,
        "licenses": [licence],
        "contributors": [
            {"title": one.name, "roles": ["author"]}
            | ({} if one.given is None else {"givenName": one.given, "familyName": one.family})
            | ({} if one.affiliation is None else {"organization": one.affiliation})
            | ({} if one.orcid is None else {"path": f"https://orcid.org/{one.orcid}"})
            for one in said.authors
        ],
        **({"keywords": list(said.keywords)} if said.keywords else {}),
        "resources": list(resources),
    }
