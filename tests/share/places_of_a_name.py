"""Every place of a page that a name can stand in: a page with it there and nowhere else."""

from wlmeasure.share.drawing import Drawing, Label
from wlmeasure.share.page import (
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

PLACES = {
    "title": lambda name: Page(name, "s", ()),
    "subtitle": lambda name: Page("t", name, ()),
    "footer": lambda name: Page("t", "s", (), footer=name),
    "heading": lambda name: Page("t", "s", (Heading(2, name),)),
    "keyed heading": lambda name: Page("t", "s", (Heading(3, name, "#ff0000"),)),
    "text": lambda name: Page("t", "s", (Text(name),)),
    "small text": lambda name: Page("t", "s", (Text(name, small=True),)),
    "cell": lambda name: Page("t", "s", (Table((("a", name),)),)),
    "head": lambda name: Page("t", "s", (Table((("a", "b"),), ("c", name)),)),
    "named row": lambda name: Page("t", "s", (Table(((name, "b"),), named=True),)),
    "remark": lambda name: Page("t", "s", (Remarks((name,)),)),
    "bullet": lambda name: Page("t", "s", (Bullets((name,)),)),
    "caption": lambda name: Page("t", "s", (Figure(EMPTY, name),)),
    "key": lambda name: Page("t", "s", (Figure(EMPTY, "c", (Key("#ff0000", name),)),)),
    "label": lambda name: Page("t", "s", (Figure(drawing(name), "c"),)),
    "label with a rim": lambda name: Page("t", "s", (Figure(drawing(name, halo="#ffffff", bold=True), "c"),)),
    "card's title": lambda name: Page("t", "s", (Cards((Card("#ff0000", name, "1"),)),)),
    "card's value": lambda name: Page("t", "s", (Cards((Card("#ff0000", "t", name),)),)),
    "card's spread": lambda name: Page("t", "s", (Cards((Card("#ff0000", "t", "1", name),)),)),
    "card's line": lambda name: Page("t", "s", (Cards((Card("#ff0000", "t", "1", "", (name,)),)),)),
    "card's strong line": lambda name: Page("t", "s", (Cards((Card("#ff0000", "t", "1", strong=name),) * 2),)),
    "columns": lambda name: Page("t", "s", (Columns((Text(name),), (Text("b"),)),)),
    "row": lambda name: Page("t", "s", (Row(((Text("a"),), (Text(name),))),)),
    "group": lambda name: Page("t", "s", (Group((Text(name),)),)),
}
EMPTY = Drawing((0.0, 0.0, 10.0, 10.0), 100.0, 100.0, (), "d")


def drawing(name, **more):
    return Drawing((0.0, 0.0, 10.0, 10.0), 300.0, 100.0, (Label(2.0, 5.0, name, **more),), "d")
