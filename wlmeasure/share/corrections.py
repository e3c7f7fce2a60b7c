"""What became of a network's proposals, as tables: one row an item, and their counts by kind, model and person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from attrs import frozen

from wlmeasure.record.answers import Answer, answers
from wlmeasure.record.case import Case

__all__ = ["COLUMNS", "Correction", "correction_rows", "corrections", "corrections_text"]

COLUMNS = {
    "case": "name of the case file",
    "film": "id of the film in it",
    "item": "what was proposed, by its neutral name on the film",
    "kind": "file, upper end, tip, canal, root end or reference point; a file's ends follow the file, a root end its canal",
    "model": "name and SHA-256 of the network",
    "probability": "that it is right, by the network, 0 to 1",
    "trusted": "whether the network's own rules trusted it: yes or no",
    "outcome": "accepted, refused or not answered",
    "came_with": "the item that was answered in its stead, a file for its ends, a canal for its root end; else empty",
    "by": "who said so",
    "at": "when",
    "canal": "the canal that it was accepted as, or for",
    "moved": "whether what stands in the case is not where it was proposed: yes or no; empty where it was not accepted",
    "moved_mm": "greatest distance between what was proposed and what stands, mm; empty without a known length on the film",
    "moved_px": "the same in pixels (rows; columns by their ratio)",
}
"""Name and meaning of every column."""


PARTS = "Ends that came with an accepted file or canal, and were not answered by themselves:"


@frozen
class Correction:
    """An answer, and the name of its case."""

    case: str
    answer: Answer

    @property
    def model(self) -> str:
        """Name and hash of the network."""
        return f"{self.answer.item.model}/{self.answer.item.model_sha256}"


def corrections(name: str, case: Case) -> list[Correction]:
    """What became of everything proposed in a case, from its own record alone."""
    return [Correction(name, answer) for answer in answers(case)]


def correction_rows(found: Iterable[Correction]) -> Iterator[tuple[str | float | None, ...]]:
    """The table, its head first; moves to 0.01 mm and 0.01 pixel."""
    yield tuple(COLUMNS)
    for one in found:
        a = one.answer
        moved = None if a.moved_px is None else "yes" if a.moved_px else "no"
        yield (
            one.case,
            a.film,
            a.item.label,
            a.item.kind,
            one.model,
            f"{a.item.probability:.3f}",
            "yes" if a.item.trusted else "no",
            a.outcome,
            a.came_with,
            a.by,
            a.at,
            a.canal,
            moved,
            None if a.moved_mm is None else f"{a.moved_mm:.2f}",
            None if a.moved_px is None else f"{a.moved_px:.2f}",
        )


def corrections_text(found: Sequence[Correction]) -> str:
    """Counts by kind, model and person, one line each: accepted unmoved, moved and by how much, refused; and not answered.

    What came with something else was answered by nobody: it stands below, and only where its file or canal was accepted.
    """
    if not found:
        return "Nothing was proposed."
    own = [one for one in found if one.answer.came_with is None]
    parts = [one for one in found if one.answer.came_with is not None and one.answer.outcome == "accepted"]
    return "\n".join([*_counted(own), *([PARTS, *_counted(parts)[1:]] if parts else [])])


def _counted(found: Sequence[Correction]) -> list[str]:
    groups: dict[tuple[str, str, str], list[Answer]] = {}
    for one in found:
        groups.setdefault((one.answer.item.kind, one.model[:17], one.answer.by or "nobody"), []).append(one.answer)
    head = (
        f"{'item':<16} {'model':<18} {'person':<10} {'unmoved':>8} {'moved':>6} {'refused':>8} {'open':>5}  moves, mm"
    )
    lines = [head]
    for (kind, model, person), group in sorted(groups.items()):
        moved = [a for a in group if a.moved_px]
        counts = (
            sum(a.moved_px == 0.0 for a in group),
            len(moved),
            sum(a.outcome == "refused" for a in group),
            sum(a.outcome == "not answered" for a in group),
        )
        sizes = sorted(a.moved_mm for a in moved if a.moved_mm is not None)
        said = [f"{size:.2f}" for size in sizes]
        unknown = len(moved) - len(sizes)
        said += [f"{unknown} without a scale"] if unknown else []
        said_counts = f"{counts[0]:>8} {counts[1]:>6} {counts[2]:>8} {counts[3]:>5}"
        lines.append(f"{kind:<16} {model:<18} {person:<10} {said_counts}  {' '.join(said)}".rstrip())
    return lines
