"""A page as one self-contained HTML file that prints well.

Every text is escaped; nothing is loaded from anywhere. A name that is read from right to left is an element ``bdi``, so that
the figures beside it stay where they are.
"""

from __future__ import annotations

from html import escape
from pathlib import Path

from wlmeasure.share.direction import stretches
from wlmeasure.share.drawing import Picture, image_element, svg
from wlmeasure.share.page import (
    Block,
    Bullets,
    Card,
    Cards,
    Columns,
    Figure,
    Group,
    Heading,
    Key,
    Page,
    Remarks,
    Row,
    Table,
    Text,
)

__all__ = ["html_page"]

STYLE = Path(__file__).with_name("report.css")


def html_page(page: Page) -> str:
    """The page as a document of its own; each film is in it once, however many figures show it."""
    pictures: dict[Picture, str] = {}
    body = [f"<h1>{_line(page.title)}</h1>", f'<p class="sub">{_line(page.subtitle)}</p>']
    body += [_block(block, pictures) for block in page.blocks]
    defined = "".join(image_element(picture, key) for picture, key in pictures.items())
    if defined:
        hidden = '<svg width="0" height="0" style="position:absolute" aria-hidden="true">'
        body.insert(0, f"{hidden}<defs>{defined}</defs></svg>")
    return (
        f'<!doctype html>\n<html lang="{escape(page.language)}" dir="ltr"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(page.title)}</title><style>{STYLE.read_text(encoding='utf-8')}</style></head><body>"
        + "\n".join(body)
        + "</body></html>\n"
    )


def _line(text: str) -> str:
    return "".join(
        f"<bdi>{escape(part.text)}</bdi>" if part.from_right else escape(part.text) for part in stretches(text)
    )


def _block(block: Block, pictures: dict[Picture, str]) -> str:
    match block:
        case Heading():
            key = _key(Key(block.colour, "")) if block.colour else ""
            sheet = ' class="sheet"' if block.new_sheet else ""
            return f"<h{block.level}{sheet}>{key}{_line(block.text)}</h{block.level}>"
        case Text():
            lines = "<br>".join(_line(line) for line in block.text.split("\n"))
            return f'<p class="{"prov" if block.small else "large" if block.large else "text"}">{lines}</p>'
        case Table():
            return _table(block)
        case Remarks():
            return _list("flags", block.texts)
        case Bullets():
            return _list("cautions", block.texts)
        case Figure():
            keys = " &nbsp; ".join([*(_key(key) + _line(key.words) for key in block.keys), ""])
            drawing = svg(block.drawing, lambda picture: _use(picture, pictures))
            return f"<figure>{drawing}<figcaption>{keys}{_line(block.caption)}</figcaption></figure>"
        case Cards():
            return '<div class="headline">' + "".join(_card(card) for card in block.cards) + "</div>"
        case Columns():
            left = "".join(_block(b, pictures) for b in block.left)
            right = "".join(_block(b, pictures) for b in block.right)
            # A column of text may shrink, a figure alone keeps its size.
            lone = len(block.left) == 1 and isinstance(block.left[0], Figure)
            kind = "" if lone else ' class="grow"'
            return f'<div class="cols"><div{kind}>{left}</div><div class="grow">{right}</div></div>'

        case Group():
            return "".join(_block(b, pictures) for b in block.blocks)

        case Row():
            cells = ("".join(_block(b, pictures) for b in cell) for cell in block.cells)
            return '<div class="row">' + "".join(f"<div>{cell}</div>" for cell in cells) + "</div>"


def _use(picture: Picture, pictures: dict[Picture, str]) -> str:
    key = pictures.setdefault(picture, f"film{len(pictures)}")
    return f'<use href="#{key}"/>'


def _key(key: Key) -> str:
    kind = "key" + (" wide" if key.wide else "") + (" dash" if key.dash else "")
    return f'<span class="{kind}" style="color:{key.colour}"></span>'


def _list(kind: str, texts: tuple[str, ...]) -> str:
    return f'<ul class="{kind}">' + "".join(f"<li>{_line(text)}</li>" for text in texts) + "</ul>" if texts else ""


def _table(table: Table) -> str:
    def cells(row: tuple[str, ...], tag: str) -> str:
        out = []
        for k, text in enumerate(row):
            name = "th" if tag == "th" or (table.named and k == 0) else "td"
            right = " class=n" if k in table.numbers else ""
            out.append(f"<{name}{right}>{_line(text)}</{name}>")
        return "<tr>" + "".join(out) + "</tr>"

    head = cells(table.head, "th") if table.head else ""
    return f"<table>{head}{''.join(cells(row, 'td') for row in table.rows)}</table>"


def _card(card: Card) -> str:
    lines = [
        f'<div class="what">{_line(card.title)}</div>',
        f"<b{' class=faint' if card.faint else ''}>{_line(card.value)}</b>",
    ]
    if card.spread:
        lines.append(f' <span class="pm">{_line(card.spread)}</span>')
    lines += [f'<div class="what">{_line(line)}</div>' for line in card.lines]
    if card.strong:
        lines.append(f'<div class="what"><strong>{_line(card.strong)}</strong></div>')
    return f'<div class="card" style="--c:{card.colour}">' + "".join(lines) + "</div>"
