"""Path files of every form by one name: which reader a file needs, and one file or folder made of many.

Reading and writing stream: the heads of all inputs are read first, then the lines one after another. What is written appears
whole or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from attrs import evolve, frozen

from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.record.case import SUFFIX, load_case
from wlmeasure.record.evaluate import evaluate
from wlmeasure.share.path_set import Head, PathFeature, PathImage, PathScale
from wlmeasure.share.paths import Credit, paths_of, stored_paths
from wlmeasure.study.keypoints import write_keypoints
from wlmeasure.study.path_lines import LINES, ONE_OBJECT, Bad, lines_features, lines_head, write_lines
from wlmeasure.study.path_parquet import parquet_features, parquet_head, write_parquet
from wlmeasure.study.path_tables import is_table, table_features, table_head, write_table
from wlmeasure.study.path_vertices import vertices_features, vertices_head
from wlmeasure.whole_file import keep, whole_file, whole_folder

__all__ = [
    "KEYPOINTS",
    "PARQUET",
    "VERTICES",
    "Paths",
    "case_paths",
    "convert",
    "find_inputs",
    "open_paths",
]

PARQUET, VERTICES, KEYPOINTS = ".parquet", ".csv", ".coco.json"
READ = (SUFFIX, ONE_OBJECT, LINES, PARQUET, VERTICES)
BESIDE = (".errors.csv", ".columns.csv")  # what `batch` writes beside its table


@frozen(eq=False)
class Paths:
    """The lines of one file: its head, and a function that reads them from the first on."""

    head: Head
    features: Callable[[], Iterator[PathFeature | Bad]]


def find_inputs(given: Sequence[str | Path]) -> list[Path]:
    """The inputs that were meant, each once: files as they are named, folders of tables, and all such files under folders.

    The order is that of the arguments, and of the names within a folder; it does not depend on the computer.

    Raises
    ------
    ShareError
        A name that is not there, or that no reader takes; a folder with none.
    """
    found: dict[Path, Path] = {}
    for name in map(Path, given):
        if not name.exists():
            raise ShareError(f"{name} must be a file or folder: there is none")
        inside = [name]
        if name.is_dir() and not is_table(name):
            inside = list(_under(name))
            if not inside:
                raise ShareError(f"{name} must hold case or path files ({', '.join(READ)}): it holds none")
        elif name.is_file() and not name.name.endswith(READ):
            raise ShareError(f"{name.name} must be a case or path file ({', '.join(READ)}): its name is not one's")
        for path in inside:
            found.setdefault(path.resolve(), path)
    return list(found.values())


def _under(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            yield from [path] if is_table(path) else _under(path)
        elif path.name.endswith(READ) and not path.name.endswith(BESIDE):
            yield path


def open_paths(path: Path) -> Paths:
    """The lines of one file or folder of tables; a case file is none (see `case_paths`)."""
    if path.is_dir():
        return Paths(table_head(path), lambda: table_features(path))
    if path.name.endswith((ONE_OBJECT, LINES)):
        return Paths(lines_head(path), lambda: lines_features(path))
    if path.name.endswith(PARQUET):
        return Paths(parquet_head(path), lambda: parquet_features(path))
    return Paths(vertices_head(path), lambda: vertices_features(path))


def case_paths(path: Path, credit: Credit, *, paths_only: bool) -> Paths:
    """The lines of a case file: measured on its films, or those that it stores."""
    if not paths_only:
        made = paths_of(evaluate(load_case(path)), credit)
        return Paths(made.head, lambda: iter(made.features))
    case = load_case(path)
    stored, errors = stored_paths(case)
    credit = credit.of(case)
    bad = [Bad(k, str(error)) for k, error in enumerate(errors, 1)]
    credited = [evolve(one, annotator=credit.annotator, session=credit.session) for one in stored.features]
    return Paths(stored.head, lambda: iter([*credited, *bad]))


def convert(
    given: Sequence[str | Path],
    out: Path,
    *,
    credit: Credit | None = None,
    paths_only: bool = False,
    keypoints: int = 32,
) -> tuple[int, list[tuple[Path, Bad]]]:
    """Write the lines of all inputs into one file or folder, in the form that its name says.

    Ids of images and scales that several inputs use for different things are told apart by the number of the input.

    Parameters
    ----------
    given
        Files and folders, see `find_inputs`.
    out
        ``*.wlpaths.json``, ``*.wlpaths.jsonl``, ``*.parquet``, ``*.coco.json``, or a new folder for tables.
    credit
        Who drew the lines of case files.
    paths_only
        Take what case files store, without their films.
    keypoints
        Points that a line is resampled to for ``*.coco.json``.

    Returns
    -------
    (written, left out)
        How many lines were written, and those that could not be used with their files.

    Raises
    ------
    ShareError
        An input that cannot be read as a whole; a form that there is not; a folder that holds something.
    """
    inputs = find_inputs(given)
    keep(inputs)
    if out.resolve() in {path.resolve() for path in inputs}:
        raise ShareError(f"--out must be a new file: {out} is an input")
    credit = credit or Credit()
    parts = []
    for path in inputs:
        try:
            is_case = path.name.endswith(SUFFIX)
            parts.append(case_paths(path, credit, paths_only=paths_only) if is_case else open_paths(path))
        except WlmeasureError as error:
            raise ShareError(f"{path}: {error}") from None
    head, names = _joined([part.head for part in parts])
    bad: list[tuple[Path, Bad]] = []

    def features() -> Iterator[PathFeature]:
        for path, part, renamed in zip(inputs, parts, names, strict=True):
            for feature in part.features():
                if isinstance(feature, Bad):
                    bad.append((path, feature))
                    continue
                try:
                    part.head.scale(feature)
                except ShareError as error:
                    bad.append((path, Bad(0, str(error), feature.id)))
                    continue
                yield renamed(feature)

    if out.name.endswith((ONE_OBJECT, LINES)):
        with whole_file(out) as temporary, temporary.open("wb") as file:
            return write_lines(file, head, features(), one_object=out.name.endswith(ONE_OBJECT)), bad
    if out.name.endswith(PARQUET):
        with whole_file(out) as temporary:
            return write_parquet(temporary, head, features()), bad
    if out.name.endswith(KEYPOINTS):
        with whole_file(out) as temporary, temporary.open("w", encoding="utf-8") as text:
            return write_keypoints(text, head, features(), keypoints), bad
    if out.suffix and not out.is_dir():
        raise ShareError(
            f"--out must end in {ONE_OBJECT}, {LINES}, {PARQUET} or {KEYPOINTS}, or be a new folder for tables: {out.name}"
        )
    with whole_folder(out) as folder:
        return write_table(folder, head, features()), bad


def _joined(heads: list[Head]) -> tuple[Head, list[Callable[[PathFeature], PathFeature]]]:
    """One head of many, and for each what gives its features the ids of the whole."""
    images: dict[str, PathImage] = {}
    scales: dict[str, PathScale] = {}
    names: list[Callable[[PathFeature], PathFeature]] = []
    unnamed = []
    for number, head in enumerate(heads, 1):
        image_ids: dict[str, str] = {}
        scale_ids: dict[str, str] = {}
        for image in head.images:
            name = image.id if images.get(image.id, image) == image else f"{number}:{image.id}"
            image_ids[image.id] = name
            images[name] = evolve(image, id=name)
        for scale in head.calibrations:
            if scale.image in image_ids:
                scale = evolve(scale, image=image_ids[scale.image])
            if scale.id is None:
                unnamed.append(scale)
                continue
            name = scale.id if scales.get(scale.id, scale) == scale else f"{number}:{scale.id}"
            scale_ids[scale.id] = name
            scales[name] = evolve(scale, id=name)
        names.append(_renaming(image_ids, scale_ids))
    return Head(images=tuple(images.values()), calibrations=(*scales.values(), *unnamed)), names


def _renaming(images: dict[str, str], scales: dict[str, str]) -> Callable[[PathFeature], PathFeature]:
    changed = any(a != b for a, b in [*images.items(), *scales.items()])

    def renamed(feature: PathFeature) -> PathFeature:
        if not changed:
            return feature
        image, scale = feature.image, feature.calibration
        return evolve(
            feature,
            image=None if image is None else images.get(image, image),
            calibration=None if scale is None else scales.get(scale, scale),
        )

    return renamed
