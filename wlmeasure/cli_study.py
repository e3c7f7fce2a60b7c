"""The words of `wlmeasure study` and `wlmeasure observers`. They compute nothing, and import a room only when they are said."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from wlmeasure.cli_batch import add_score_word
from wlmeasure.cli_output import TOOTH_HELP, number, page_content, print_json, program, typed_tooth, whole, words_of
from wlmeasure.errors import WlmeasureError

__all__ = ["add_observers_words", "add_study_words"]

TYPE_CHECKING = False  # `typing` is kept off the start-up path
if TYPE_CHECKING:
    from pathlib import Path
    from typing import TextIO

    from wlmeasure.image.radiograph import Radiograph
    from wlmeasure.study.anchored import Anchored
    from wlmeasure.study.clicks import ClickError
    from wlmeasure.study.collect import Collected
    from wlmeasure.study.manifest import Study
    from wlmeasure.study.path_agreement import PathAgreement
    from wlmeasure.study.protocol import Protocol
    from wlmeasure.study.readings import Readings
    from wlmeasure.study.summary import Summary

Formatter = Callable[[str], argparse.HelpFormatter]


def add_observers_words(word: argparse.ArgumentParser) -> None:
    """Give the parser of the word `observers` its arguments."""
    word.add_argument(
        "table",
        metavar="TABLE.csv|DIR",
        help="a table of readings, a study's folder, or case files in a folder for each observer",
    )
    word.add_argument("--out", metavar="REPORT.html|REPORT.pdf", help="write the report, with every plot")
    word.add_argument("--json", action="store_true", help="print JSON, all figures with all decimals")
    word.add_argument("--unit", default="", metavar="UNIT", help="unit of the values, where the table names none")
    word.add_argument(
        "--within",
        type=number,
        action="append",
        metavar="SIZE",
        help="also how many differences are not larger; repeat it",
    )
    word.add_argument(
        "--true-value",
        choices=("constant", "varies"),
        default="constant",
        help="of a subject between repeats: constant, as on a film (%(default)s), or varying, readings in pairs",
    )
    word.add_argument(
        "--worst", type=whole, default=6, metavar="N", help="how many of the worst disagreements (%(default)s)"
    )
    word.add_argument(
        "--walk", metavar="DIR", help="of a study: write the worst disagreements as cases that the viewer walks"
    )
    word.add_argument(
        "--clicks",
        metavar="DIR",
        help="write how far each observer's clicks are off, by their repeats, as NAME.clicks.json for `measure --clicks`",
    )
    word.add_argument("--blind", action="store_true", help="without the observers' names in those cases")
    word.add_argument("--keep-violations", action="store_true", help="count results that do not keep to the protocol")
    word.set_defaults(run=_observers)


def add_study_words(study: argparse.ArgumentParser, formatter: Formatter) -> None:
    """Give the parser of the word `study` its own words."""
    word = words_of(study, formatter)
    init = word("init", "make a study: films blinded, orders drawn, protocol fixed", _init)
    init.add_argument("folder", metavar="DIR", help="a new or empty folder")
    init.add_argument("films", nargs="+", metavar="FILM", help="images, or case files with tooth, canals and scale")
    init.add_argument("--observers", required=True, metavar="A,B,C", help="names: letters, digits, - and _")
    init.add_argument(
        "--repeats", type=whole, default=1, metavar="N", help="readings of each film by each (%(default)s)"
    )
    init.add_argument("--seed", type=whole, metavar="S", help="of names and orders; drawn where none is given")
    init.add_argument("--name", metavar="NAME", help="of the study (the folder's)")
    init.add_argument("--tooth", metavar="TOOTH", help=f"for images without a case: {TOOTH_HELP}")
    init.add_argument(
        "--canals", default="", metavar="MB,D", help="canals to trace (those of the case, or the usual ones)"
    )
    init.add_argument("--protocol", metavar="FILE", help="the rules as JSON, in place of the next six")
    init.add_argument("--definitions", metavar="A,B", help="what is measured; the first is the main one (length_mm)")
    init.add_argument("--apical-end", metavar="END", help="what traces end at (radiographic apex)")
    init.add_argument("--clicks", metavar="N|N-M", help="points along a canal, such as 3-8 (2-)")
    init.add_argument("--scale", choices=("given", "observer", "none"), help="who sets the films' scale (given)")
    init.add_argument("--reference", action="store_true", help="observers mark the coronal reference point")
    init.add_argument(
        "--metal", choices=("given", "observer"), help="who says whether metal is bright or dark on a film (given)"
    )
    init.add_argument(
        "--hide",
        action="append",
        metavar="WHAT[:A,B]",
        help="names or measures or nothing, from all or from some; may be repeated (names and measures)",
    )
    init.add_argument(
        "--from-proposals",
        metavar="A,B",
        help="observers who begin from what a network proposed (films: case files of `propose`); they count in no agreement",
    )
    init.add_argument("--refer", action="store_true", help="refer to the films where they lie, and copy none")
    status = word("status", "how far every observer is, and which results break the protocol", _status)
    status.add_argument("folder", metavar="DIR")
    status.add_argument("--json", action="store_true", help="print JSON")
    table = word("table", "all results as the table that `observers` reads", _table)
    table.add_argument("folder", metavar="DIR")
    table.add_argument("--out", required=True, metavar="TABLE.csv")
    table.add_argument("--keep-violations", action="store_true", help="count results that do not keep to the protocol")
    out = word(
        "publish",
        "the study as a folder to publish: paths, tables, codebook, texts; nobody's name but the authors'",
        _publish,
    )
    out.add_argument("folder", metavar="DIR")
    out.add_argument("--out", required=True, metavar="DIR", help="a new or empty folder")
    out.add_argument(
        "--settings", metavar="FILE.json", help="title, authors, licence, grras, columns and more, in place of options"
    )
    out.add_argument("--title", metavar="TEXT")
    out.add_argument(
        "--author", action="append", metavar="AUTHOR", help='"Family, Given; affiliation; ORCID"; repeat it for each'
    )
    out.add_argument("--licence", metavar="ID", help="SPDX identifier, such as CC-BY-4.0")
    out.add_argument("--films", action="store_true", help="publish the films' copies too, not their hashes alone")
    out.add_argument(
        "--join", metavar="TABLE.csv", help="columns for each film by its own name (column film): the unblinding"
    )
    out.add_argument("--key", metavar="key.json", help="the key, where it does not lie in the study's folder")
    out.add_argument(
        "--observer-names",
        action="store_true",
        help="leave observers the names they have in the study, not R1, R2, ...",
    )
    again = word(
        "rebuild", "the readings of a published study, from its paths alone, as a table for `observers`", _rebuild
    )
    again.add_argument("folder", metavar="DIR", help="what `publish` wrote")
    again.add_argument("--out", required=True, metavar="TABLE.csv")
    size = word("size", "how many subjects a planned study needs", _size)
    size.add_argument("--icc", type=number, metavar="R", help="expected correlation of single readings")
    size.add_argument(
        "--width", type=number, default=0.2, metavar="W", help="wanted width of its interval (%(default)s)"
    )
    size.add_argument("--observers", type=whole, default=2, metavar="K", help="who read all subjects (%(default)s)")
    size.add_argument("--sd", type=number, metavar="SD", help="expected SD of the differences of two observers")
    size.add_argument(
        "--limit-within", type=number, metavar="H", help="wanted half width of a limit's interval (0.34 SD)"
    )
    size.add_argument("--repeatability-within", type=number, metavar="P", help="wanted precision of it, per cent")
    size.add_argument("--repeats", type=whole, default=2, metavar="M", help="readings of each subject (%(default)s)")
    add_score_word(word)


def _now() -> str:
    from datetime import datetime

    return f"{datetime.now():%Y-%m-%d %H:%M}"


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _progress(done: int, of: int) -> None:
    if sys.stderr.isatty():
        print(f"\rmeasured {done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)


# ---- observers -------------------------------------------------------------------------------------------------------


def _observers(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.study.anchored import anchored
    from wlmeasure.study.clicks import click_errors
    from wlmeasure.study.path_agreement import path_agreement
    from wlmeasure.study.readings import load_readings
    from wlmeasure.study.summary import summaries
    from wlmeasure.study.words import observers_json, observers_text
    from wlmeasure.whole_file import keep

    place = Path(arguments.table)
    study, collected, film = None, None, None
    if arguments.walk is not None and not (place / "study.json").is_file():
        raise WlmeasureError("--walk must come with a study's folder: a table holds no paths")
    if arguments.clicks is not None and not place.is_dir():
        raise WlmeasureError("--clicks must come with a folder of cases or a study's: a table holds no marks")
    if place.is_dir():
        from wlmeasure.study.case_folders import collect_folders, is_case_folders

        if not (place / "study.json").is_file() and is_case_folders(place):
            collected, film = collect_folders(place, done=_progress)
        else:
            study, collected = _collected(place, arguments.keep_violations)
            film = _film_reader(study)
        readings = collected.readings
    else:
        keep([place])
        readings = load_readings(place, unit=arguments.unit)
    within = None if arguments.within is None else tuple(arguments.within)
    found = summaries(readings, within=within, varies=arguments.true_value == "varies")
    paths = None if collected is None else path_agreement(collected.paths)
    apart = anchored(readings)
    left_out = () if collected is None else collected.left_out
    clicks = () if collected is None else click_errors(collected.paths)
    if arguments.json:
        print_json(observers_json(found, paths, left_out, apart, clicks))
    else:
        print(observers_text(found, paths, apart, clicks), end="")
        for text in left_out:
            print(f"! left out: {text}")
    if arguments.out is not None or arguments.walk is not None:
        _write(arguments, readings, found, paths, apart, study, collected, film)
    if arguments.clicks is not None:
        _write_clicks(clicks, Path(arguments.clicks), sys.stderr if arguments.json else sys.stdout)


def _write_clicks(errors: Sequence[ClickError], folder: Path, told: TextIO) -> None:
    """One profile an observer; who has too few repeats is named and has none."""
    from wlmeasure.errors import CaseError, StudyError
    from wlmeasure.record.click_profile import CLICKS_SUFFIX, save_clicks
    from wlmeasure.study.clicks import click_profile

    if not errors:
        raise StudyError(
            "canals must have been drawn again by an observer to tell of clicks, not stored again: none was; repeat some films"
        )
    folder.mkdir(parents=True, exist_ok=True)
    for error in errors:
        try:
            profile = click_profile(error)
        except (StudyError, CaseError) as why:
            print(f"! left out: {error.observer}: {why}", file=told)
            continue
        path = folder / f"{error.observer}{CLICKS_SUFFIX}"
        save_clicks(profile, path)
        print(path, file=told)


def _write(
    arguments: argparse.Namespace,
    table: Readings,
    summaries: list[Summary],
    agreement: PathAgreement | None,
    apart: Anchored | None,
    study: Study | None,
    made: Collected | None,
    film: Callable[[str], Radiograph] | None,
) -> None:
    from pathlib import Path

    from wlmeasure.share.page_file import page_file
    from wlmeasure.study.report import observers_page
    from wlmeasure.study.worst import worst, write_walk
    from wlmeasure.whole_file import write_whole

    far = worst(table, table.definitions[0], arguments.worst)
    told = sys.stderr if arguments.json else sys.stdout
    if arguments.out is not None:
        out = Path(arguments.out)
        title = "Agreement of observers" if study is None else f"Agreement of observers: {study.name}"
        page = page_file(
            out.name,
            lambda: observers_page(
                table,
                summaries,
                title=title,
                paths=agreement,
                drawn=() if made is None else made.paths,
                worst=far,
                film=film,
                left_out=() if made is None else made.left_out,
                apart=apart,
                made_at=_now(),
                program=program(),
            ),
        )
        write_whole(out, page_content(page))
        print(out, file=told)
    if arguments.walk is not None and study is not None and made is not None:
        print(write_walk(study, made.paths, far, Path(arguments.walk), blind=arguments.blind), file=told)


def _film_reader(study: Study) -> Callable[[str], Radiograph]:
    from wlmeasure.study.folder import read_film

    return lambda film_id: read_film(study, study.film(film_id))


def _collected(folder: Path, keep_violations: bool) -> tuple[Study, Collected]:
    from wlmeasure.study.collect import collect
    from wlmeasure.study.manifest import load_study

    study = load_study(folder)
    return study, collect(study, keep_violations=keep_violations, done=_progress)


# ---- study -----------------------------------------------------------------------------------------------------------


def _init(arguments: argparse.Namespace) -> None:
    from wlmeasure.study.folder import init_study

    observers = _names(arguments.observers)
    made = init_study(
        arguments.folder,
        arguments.films,
        observers,
        _protocol(arguments),
        repeats=arguments.repeats,
        seed=arguments.seed,
        name=arguments.name,
        tooth=typed_tooth(arguments.tooth),
        canals=_names(arguments.canals),
        hidden=_hidden(arguments.hide, observers),
        from_proposals=_names(arguments.from_proposals or ""),
        copy=not arguments.refer,
        program=program(),
    )
    study = made.study
    films = sum(len(observer.tasks) for observer in study.observers)
    print(f"{arguments.folder}: {len(study.films)} films, {len(study.observers)} observers, {films} readings to make")
    print("key.json holds the films' own names: keep it away from the observers")
    if study.protocol.from_proposals is not None:
        print(study.protocol.from_proposals.words)
    for text in made.remarks:
        print(f"! {text}")


def _protocol(arguments: argparse.Namespace) -> Protocol:
    from wlmeasure.study.protocol import Protocol, load_protocol, read_clicks

    said = [arguments.definitions, arguments.apical_end, arguments.clicks, arguments.scale, arguments.metal]
    if arguments.protocol is not None:
        if any(one is not None for one in said) or arguments.reference:
            raise WlmeasureError("--protocol must stand alone: the rules are in its file")
        return load_protocol(arguments.protocol)
    least, most = read_clicks(arguments.clicks or "2-")
    return Protocol(
        definitions=tuple(_names(arguments.definitions or "length_mm")),
        apical_end=arguments.apical_end or "radiographic apex",
        least_clicks=least,
        most_clicks=most,
        scale=arguments.scale or "given",
        reference=arguments.reference,
        metal=arguments.metal or "given",
    )


def _hidden(said: list[str] | None, observers: list[str]) -> dict[str, list[str]] | None:
    if said is None:
        return None
    out: dict[str, list[str]] = {name: [] for name in observers}
    for text in said:
        what, colon, whom = text.partition(":")
        for name in _names(whom) if colon else observers:
            if what != "nothing":
                out.setdefault(name, []).append(what)
    return out


def _status(arguments: argparse.Namespace) -> None:
    from wlmeasure.study.manifest import load_study
    from wlmeasure.study.status import status_json, status_text

    study = load_study(arguments.folder)
    if arguments.json:
        print_json(status_json(study))
    else:
        print(status_text(study), end="")


def _table(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.study.readings import readings_csv
    from wlmeasure.whole_file import write_whole

    _, made = _collected(Path(arguments.folder), arguments.keep_violations)
    write_whole(arguments.out, readings_csv(made.readings.rows))
    print(f"{arguments.out}: {len(made.readings.rows)} readings")
    for text in made.left_out:
        print(f"! left out: {text}")


def _publish(arguments: argparse.Namespace) -> None:
    from datetime import UTC, datetime

    from attrs import evolve

    from wlmeasure.study.manifest import load_study
    from wlmeasure.study.publication import Publication, load_publication, typed_author
    from wlmeasure.study.publish import publish_study

    said = Publication() if arguments.settings is None else load_publication(arguments.settings)
    given = {"title": arguments.title, "licence": arguments.licence}
    given |= {"authors": None if arguments.author is None else tuple(map(typed_author, arguments.author))}
    made = publish_study(
        load_study(arguments.folder),
        arguments.out,
        evolve(said, **{name: value for name, value in given.items() if value is not None}),
        created=f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        program=program(),
        films=arguments.films,
        join=arguments.join,
        key=arguments.key,
        observer_names=arguments.observer_names,
        done=_progress,
    )
    print(f"{arguments.out}: {len(made.files)} files")
    for text in made.left_out:
        print(f"left out: {text}")


def _rebuild(arguments: argparse.Namespace) -> None:
    from wlmeasure.study.readings import readings_csv
    from wlmeasure.study.rebuild import rebuilt_readings
    from wlmeasure.whole_file import write_whole

    readings = rebuilt_readings(arguments.folder)
    write_whole(arguments.out, readings_csv(readings.every))
    print(f"{arguments.out}: {len(readings.every)} readings")


def _size(arguments: argparse.Namespace) -> None:
    from wlmeasure.study.size import subjects_for_icc, subjects_for_limits, subjects_for_repeatability

    lines = []
    if arguments.icc is not None:
        count = subjects_for_icc(arguments.icc, arguments.width, arguments.observers)
        lines.append(
            f"{count} subjects: ICC {arguments.icc:g} of {arguments.observers} observers with a 95 % interval "
            f"{arguments.width:g} wide (Bonett 2002)"
        )
    if arguments.sd is not None:
        half = 0.34 * arguments.sd if arguments.limit_within is None else arguments.limit_within
        count = subjects_for_limits(arguments.sd, half)
        lines.append(
            f"{count} subjects: limits of agreement known to {half:g} at an SD of {arguments.sd:g} (Bland & Altman)"
        )
    if arguments.repeatability_within is not None:
        count = subjects_for_repeatability(arguments.repeatability_within / 100.0, arguments.repeats)
        lines.append(
            f"{count} subjects: within-subject SD known to {arguments.repeatability_within:g} % from {arguments.repeats} "
            "readings of each"
        )
    if not lines:
        raise WlmeasureError("--icc, --sd or --repeatability-within must be given: say what the study is to show")
    print("\n".join(lines))
