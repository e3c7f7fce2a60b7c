"""The field of a canal's reference point: any words, or one of the tooth's usual ones; none is chosen for anybody."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from qtpy.QtWidgets import QMenu

from wlmeasure.trade.reference_points import usual_reference_points
from wlmeasure.trade.tooth import Tooth
from wlmeasure_napari._dock_parts import Field, button

__all__ = ["PointField"]


class PointField(Field):
    """A field with a list of the usual names beside it.

    A plain field and a menu, no editable box: that would have the keyboard itself, and the letters typed be taken for keys.
    """

    def __init__(self, label: str, done: Callable[[str], None], tip: str, *, hint: str = "") -> None:
        super().__init__(label, done, tip, hint=hint)
        self.usual = button("Usual", lambda: None, "The cusps and edges of this tooth, the canal's own first")
        self.menu = QMenu(self)
        self.usual.setMenu(self.menu)
        self.layout().itemAt(0).layout().addWidget(self.usual)
        self._offered: tuple[str, ...] = ()
        self.usual.setEnabled(False)

    def offer(self, tooth: Tooth | None, canal: str) -> None:
        """The usual names of a canal of that tooth; what stands in the field stays."""
        names = () if tooth is None else usual_reference_points(tooth, canal)
        if names == self._offered:
            return
        self._offered = names
        self.usual.setEnabled(bool(names))
        self.menu.clear()
        for name in names:
            self.menu.addAction(name).triggered.connect(partial(self._take, name))

    def _take(self, name: str, _checked: bool = False) -> None:
        self.edit.setText(name)
        self._finished()
