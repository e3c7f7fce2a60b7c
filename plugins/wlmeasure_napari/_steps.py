"""The dock's parts as tabs, and in a tab the steps: the one at hand open, the others one line each with a pencil."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, Literal

from qtpy.QtWidgets import QGridLayout, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from wlmeasure_napari._dock_parts import Part, button
from wlmeasure_napari._look import STEP_PX

__all__ = ["FoldingPart", "Shelf", "Tab", "TabRow"]

Tab = Literal["Measure", "Treatment", "Record", "Films", "3-D"]
TABS: Final[tuple[tuple[Tab, str], ...]] = (
    ("Measure", "From film to working length"),
    ("Treatment", "Shaping, gauging, cone and filling of the canal in hand"),
    ("Record", "Save, report, stops card, archive"),
    ("Films", "The film in view: how it was taken and how it is shown"),
    ("3-D", "What the films together say of the canals in space"),
)
PENCIL: Final = "✎"


class FoldingPart(Part):
    """One step, open or folded to a line with its outcome; a click on the line opens it."""

    def __init__(self, title: str, opened: Callable[[], None]) -> None:
        super().__init__("")
        self._name, self._outcome, self._opened = title, "", opened
        self.row: QPushButton = button("", self._open, f"Open {title.lower()}")
        self.row.setFlat(True)
        self.row.setObjectName("fold")
        self.row.setSizePolicy(QSizePolicy.Policy.Ignored, self.row.sizePolicy().verticalPolicy())
        self._layout.addWidget(self.row)
        body = self._body = QWidget()
        self._layout.addWidget(body)
        self._outer, self._margins = self._layout, self._layout.contentsMargins()
        self._layout = QVBoxLayout(body)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(4)
        self.folded = False
        self._show()

    def setTitle(self, title: str) -> None:  # noqa: N802  Qt's name
        self._name = title
        self._show()

    def fold(self, on: bool) -> None:
        """Fold, or open."""
        if on != self.folded:
            self.folded = on
            self._show()

    def tell(self, outcome: str) -> None:
        """What stands behind the title while it is folded; "" for a step that is not done."""
        if outcome != self._outcome:
            self._outcome = outcome
            self._show()

    def _show(self) -> None:
        super().setTitle("" if self.folded else self._name)
        done = f"{self._outcome}  {PENCIL}" if self._outcome else "–"
        self.row.setText(f"{self._name}   {done}".replace("&", "&&"))
        self.row.setAccessibleName(f"Open {self._name}: {self._outcome or 'not done'}")
        self.row.setVisible(self.folded)
        self._body.setVisible(not self.folded)
        if self.folded:
            self._outer.setContentsMargins(0, 0, 0, 0)
        else:
            self._outer.setContentsMargins(self._margins)
        if self.property("folded") != self.folded:
            self.setProperty("folded", self.folded)
            self.style().unpolish(self)
            self.style().polish(self)

    def _open(self) -> None:
        self.fold(False)
        self._opened()


class TabRow(QWidget):
    """The tabs as buttons that stay where they are."""

    def __init__(self, chosen: Callable[[Tab], None]) -> None:
        super().__init__()
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(STEP_PX, 0, STEP_PX, 0)
        self._grid.setSpacing(STEP_PX // 2)
        self.buttons: dict[Tab, QPushButton] = {}
        for tab, tip in TABS:
            made = button(tab, lambda tab=tab: chosen(tab), tip)  # type: ignore[misc]
            made.setCheckable(True)
            made.setObjectName("tab")
            self.buttons[tab] = made
        self.lay_out(large=False)

    def lay_out(self, *, large: bool) -> None:
        """In one row; in large type in two, so that no word is cut."""
        across = 3 if large else len(TABS)
        metrics = self.fontMetrics()
        for place, made in enumerate(self.buttons.values()):
            self._grid.addWidget(made, place // across, place % across)
            self._grid.setColumnStretch(place % across, metrics.horizontalAdvance(made.text()))

    def show_chosen(self, tab: Tab) -> None:
        """Mark the tab that is open."""
        for name, made in self.buttons.items():
            made.setChecked(name == tab)


class Shelf:
    """Which parts are seen: those of the chosen tab, or all of them in one column (`column`), as in a walk through films.

    Parameters
    ----------
    parts
        By place, from top to bottom.
    tabs
        The tab of each place.
    row
        The row of tabs.
    """

    def __init__(self, parts: Mapping[str, Any], tabs: Mapping[str, Tab], row: TabRow) -> None:
        self._parts, self._tabs, self.row = parts, tabs, row
        self.tab: Tab = "Measure"
        self.column = False
        self.absent: set[str] = set()  # places that offer nothing now

    def arrange(self) -> None:
        """Show what belongs to the tab, hide the rest."""
        for place, tab in self._tabs.items():
            part = self._parts[place]
            part.setVisible(place not in self.absent and (self.column or tab == self.tab))
            if self.column and isinstance(part, FoldingPart):
                part.fold(False)
        self.row.setVisible(not self.column)
        self.row.show_chosen(self.tab)
        for tab, made in self.row.buttons.items():
            made.setEnabled(any(tab == of and place not in self.absent for place, of in self._tabs.items()))

    def choose(self, tab: Tab) -> None:
        """Open a tab."""
        self.tab = tab
        self.arrange()

    def tab_of(self, place: str) -> Tab | None:
        """The tab that a place is in."""
        return self._tabs.get(place)

    def open_only(self, place: str, keep: Iterable[QWidget]) -> None:
        """Open the step at a place and fold the others of its tab, but for those that a hand is on."""
        if self.column:
            return
        kept = list(keep)
        for other, part in self._parts.items():
            if not isinstance(part, FoldingPart):
                continue
            if other == place:
                part.fold(False)
            elif self._tabs.get(other) == self._tabs.get(place) and not any(part.isAncestorOf(one) for one in kept):
                part.fold(True)

    def way_to(self, widget: QWidget) -> list[QPushButton]:
        """What has to be pressed before a widget is seen: its tab, and the line of its folded step."""
        for place, tab in self._tabs.items():
            part = self._parts[place]
            if part is widget or part.isAncestorOf(widget):
                way = [] if self.column or tab == self.tab else [self.row.buttons[tab]]
                if isinstance(part, FoldingPart) and part.folded and not part.row.isAncestorOf(widget):
                    way.append(part.row)
                return way
        return []
