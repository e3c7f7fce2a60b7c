"""The words of the command line. It computes nothing and imports a room only when its word is said.

Exit status: 0 done, 1 bad input (one line on stderr), 2 wrong usage; 130 where it was stopped by Ctrl-C and 141 where the
reader of its output has gone, as shells count them, both without a word.
"""

from __future__ import annotations

import argparse
import gc
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from wlmeasure.cli_output import now, number, page_content, print_json, program, whole
from wlmeasure.errors import CaseError, ImageError, PacsError, WlmeasureError, fault_words, one_line
from wlmeasure.whole_file import keep, keeping

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import TextIO

    from wlmeasure.image.marks import Box
    from wlmeasure.record.case import Case, Clicks
    from wlmeasure.record.evaluate import CaseResult
    from wlmeasure.record.over_time import Comparison

__all__ = ["main"]

STOPPED, READER_GONE = 130, 141  # 128 and the number of SIGINT, of SIGPIPE
DEMO_CASE = "molar"
# Written out: asking the rooms would load numpy for --help.
SHARE_FORMS = ("sr", "presentation", "secondary", "calibrated", "table", "paths")
PHANTOM_LEVELS = ("clear", "typical", "faint", "hard", "real")


def _told(error: WlmeasureError) -> str:
    """The message for who has typed values; an archive's settings are a file, whose members are called as they stand there."""
    from wlmeasure.words import in_words

    return str(error) if isinstance(error, PacsError) else in_words(str(error))


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    given = sys.argv[1:] if argv is None else argv
    gc.disable()  # one short run: collecting while the rooms load costs a tenth of it and frees nothing
    try:
        arguments = _parser(given).parse_args(given)
        with _ended_by_signals(), keeping():
            arguments.run(arguments)
        sys.stdout.flush()  # here, so that a full disk is one line and a status, not a complaint after the end
        return 0
    except KeyboardInterrupt:
        return STOPPED
    except BrokenPipeError:
        _drop_output()
        return READER_GONE
    except WlmeasureError as error:
        said = _told(error)
    except UnicodeEncodeError as error:
        shown = ascii(error.object[error.start : error.end])
        said = f"output must be able to hold {shown}, but its encoding is {error.encoding}; set PYTHONUTF8=1"
    except OSError as error:
        said = f"{f'{error.filename}: ' if error.filename else ''}{error.strerror or error}"
        _drop_output()
    except MemoryError:
        said = "file needs more memory than there is: reduce the image or the number of points"
    except Exception as error:  # the last wall: a clinician gets one line, a developer the variable below
        if "WLMEASURE_TRACEBACK" in os.environ:
            raise
        said = fault_words(error)
    finally:
        gc.enable()
    return _say(said)


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """SIGTERM and a closed terminal end the block as Ctrl-C does, so that no half-written file stays."""
    before = {}

    def ended(number: int, _: object) -> None:
        raise SystemExit(128 + number)

    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        with suppress(ValueError):  # not in the main thread: whoever is there looks after it
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, ended)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _say(text: str) -> int:
    """One line on stderr, where that can still be written to, and the status that goes with it."""
    if sys.stderr is not None:
        try:
            print(f"wlmeasure: {one_line(text)}", file=sys.stderr, flush=True)
        except OSError:  # its reader has gone too
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    return 1


def _drop_output() -> None:
    """Python flushes stdout once more at its end; what cannot be written must not fail there again."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _parser(given: list[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="wlmeasure",
        description="Root canal working length from radiographs, with its uncertainty.",
        formatter_class=_formatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    words = parser.add_subparsers(title="commands", metavar="COMMAND", required=False)
    demo = words.add_parser(
        "demo",
        formatter_class=_formatter,
        help="a molar from the first film to the filling, on films whose truth is known",
    )
    demo.add_argument(
        "--out",
        default="wlmeasure-demo",
        metavar="DIR",
        help="folder for case, report, stops, pictures and table (%(default)s)",
    )
    demo.set_defaults(run=_demo)
    view = words.add_parser("open", formatter_class=_formatter, help="the viewer, on images, a folder or a case file")
    view.add_argument("files", nargs="*", metavar="FILE|FOLDER")
    view.add_argument("--study", metavar="DIR", help="walk an observer through their films of a study, blinded")
    view.add_argument("--observer", metavar="NAME", help="which observer of that study")
    view.add_argument("--walk", metavar="LIST.json", help="walk through the worst disagreements of a study")
    view.add_argument("--exercise", metavar="DIR", help="work through the films of an exercise")
    view.set_defaults(run=_open)
    read = words.add_parser(
        "read",
        formatter_class=_formatter,
        help="what an image or a structured report says: size, depth, spacing claims, warnings; lengths and paths",
    )
    read.add_argument("image", metavar="IMAGE|REPORT.dcm")
    read.add_argument("--frame", type=whole, metavar="N", help="which frame of a DICOM file that has several, from 1")
    read.add_argument("--json", action="store_true", help="print JSON")
    read.add_argument(
        "--case", metavar="OUT.wl.json", help="write the case inside a report; its films belong beside it"
    )
    read.set_defaults(run=_read)
    films = words.add_parser(
        "films", formatter_class=_formatter, help="the films of a folder or a DICOMDIR: tooth, date, size"
    )
    films.add_argument("place", metavar="FOLDER|DICOMDIR")
    films.add_argument("--json", action="store_true", help="print JSON")
    films.set_defaults(run=_films)
    measure = words.add_parser(
        "measure",
        formatter_class=_formatter,
        help="lengths, curvature and working length of a case, with uncertainties",
        epilog="A file's known length runs from its stop to its tip. Where the stop does not show (upper_end: reference in the "
        "case) it runs from where the perpendicular of the marked reference point meets the shaft; unless the stop was seen to "
        "rest there (stop_seated: yes) a length may be too long, and its interval reaches farther down than up.",
    )
    measure.add_argument("case", metavar="CASE.wl.json")
    measure.add_argument("--json", action="store_true", help="print JSON")
    measure.add_argument(
        "--retrace", action="store_true", help="also say how far a new tracing differs from stored paths"
    )
    measure.add_argument(
        "--clicks",
        metavar="PX|NAME.clicks.json",
        help="how far clicks are off, standard deviation in pixels, as stated or as `observers --clicks` learned it (1)",
    )
    measure.add_argument("--out", metavar="NEW.wl.json", help="write the case that says so")
    measure.set_defaults(run=_measure)
    compare = words.add_parser(
        "compare",
        formatter_class=_formatter,
        help="one film of a case laid on a later one: marks carried over, shifts in mm",
    )
    if "compare" in given:
        from wlmeasure.cli_compare import add_compare_words

        add_compare_words(compare)
    report = words.add_parser(
        "report",
        formatter_class=_formatter,
        help="pictures, lengths, the course of the treatment, cautions and sources, as PDF or one self-contained page",
    )
    report.add_argument("case", metavar="CASE.wl.json")
    report.add_argument("--out", required=True, metavar="FILE.pdf|FILE.html")
    report.add_argument(
        "--stops", action="store_true", help="only the small sheet with every stop setting, and a line for the chart"
    )
    report.add_argument("--decimal-comma", action="store_true", help="write that sheet's numbers with a comma")
    report.set_defaults(run=_report)
    share = words.add_parser("share", formatter_class=_formatter, help="a case as DICOM objects, a table or paths")
    share.add_argument("case", metavar="CASE.wl.json")
    share.add_argument(
        "--as",
        dest="form",
        required=True,
        choices=SHARE_FORMS,
        help="sr: structured report; presentation: traced lines over the film; secondary: a picture as a DICOM image; "
        "calibrated: a copy of the film with its scale; table: lengths as CSV; paths: traced paths as JSON",
    )
    share.add_argument("--out", required=True, metavar="FILE")
    share.add_argument("--film", metavar="ID", help="which film, where the case has several and one is meant")
    share.add_argument("--previous", metavar="REPORT.dcm", help="the report that a new one (--as sr) replaces")
    share.set_defaults(run=_share)
    clean = words.add_parser(
        "deidentify",
        formatter_class=_formatter,
        help="films and DICOM objects without the patient; all that belong together in one call",
        description="DICOM by the basic profile of PS3.15, PNG, JPEG, TIFF and BMP by their picture alone, pixels unchanged. "
        "removed.csv lists what went, kept.csv every text that stays. A file that cannot be done is left out and named; "
        "then the exit status is 1.",
        epilog="--redact finds only what looks like print or a coloured sign; it misses handwriting, single and faint letters. "
        "Look at every picture (--preview) before it is handed on.",
    )
    clean.add_argument("files", nargs="+", metavar="IN")
    clean.add_argument("--out", required=True, metavar="DIR", help="a new or empty folder")
    clean.add_argument("--retain-uids", action="store_true", help="keep the UIDs (retain UIDs option)")
    clean.add_argument(
        "--clean-descriptors",
        action="store_true",
        help="keep descriptions made of neutral words alone (clean descriptors)",
    )
    clean.add_argument(
        "--no-text-in-pixels", action="store_true", help="you looked at every picture and found no writing in it"
    )
    clean.add_argument(
        "--redact", action="store_true", help="black out what looks like writing; a JPEG then becomes a PNG"
    )
    clean.add_argument(
        "--redact-box",
        action="append",
        default=[],
        metavar="ROW,COL,ROWS,COLS",
        help="black out this rectangle of every picture as shown, from row and column 0; may be given several times",
    )
    clean.add_argument(
        "--preview", metavar="DIR", help="write pictures with the boxes drawn, to look at and not to hand on"
    )
    clean.add_argument("--keep-names", action="store_true", help="keep the files' names, which may be the patients'")
    clean.set_defaults(run=_deidentify)
    phantom = words.add_parser(
        "phantom", formatter_class=_formatter, help="synthetic radiographs with exact truth in 3-D and in pixels"
    )
    phantom.add_argument(
        "out",
        metavar="OUT_DIR",
        help="folder for film_0001.png (with --views film_0001_a.png and so on), film_0001.truth.json, and truth.wlpaths.json",
    )
    phantom.add_argument("--count", type=whole, default=1, metavar="N", help="number of films (%(default)s)")
    phantom.add_argument(
        "--seed", type=whole, default=0, metavar="S", help="the same seed, the same films (%(default)s)"
    )
    phantom.add_argument(
        "--level", default="typical", choices=PHANTOM_LEVELS, help="how hard the films are to read (%(default)s)"
    )
    phantom.add_argument(
        "--confluent",
        type=number,
        metavar="SHARE",
        help="share of roots with two canals in which they join (as the level has it)",
    )
    phantom.add_argument(
        "--cap", type=number, metavar="SHARE", help="share of teeth under an artificial crown (as the level has it)"
    )
    phantom.add_argument(
        "--scatter",
        type=number,
        metavar="RATIO",
        help="scattered radiation over the primary beam, 0 to 1 (as the level has it)",
    )
    phantom.add_argument(
        "--ramp", type=number, metavar="MM", help="length over which curvature of canals goes over from line to arc (0)"
    )
    phantom.add_argument(
        "--views", type=whole, default=1, choices=(1, 2, 3), help="films of each tooth, the tube shifted (%(default)s)"
    )
    phantom.add_argument(
        "--shift", type=number, metavar="DEG", help="nominal shift of the tube, distal where negative (20)"
    )
    phantom.set_defaults(run=_phantom)
    record = words.add_parser(
        "record", formatter_class=_formatter, help="the archive of length records: store, find, check and copy cases"
    )
    if "record" in given:  # eight parsers more: they would make every other command's start slower by half of it
        from wlmeasure.cli_record import add_record_words

        add_record_words(record, _formatter)
    pacs = words.add_parser(
        "pacs", formatter_class=_formatter, help="the practice's image archive (DICOMweb): find, get and send"
    )
    if "pacs" in given:  # likewise
        from wlmeasure.cli_pacs import add_pacs_words

        add_pacs_words(pacs, _formatter)
    study = words.add_parser(
        "study", formatter_class=_formatter, help="annotation studies: films, observers, repeats, protocol, results"
    )
    observers = words.add_parser(
        "observers", formatter_class=_formatter, help="agreement of observers, from a table or from a study's results"
    )
    if "study" in given or "observers" in given:
        from wlmeasure.cli_study import add_observers_words, add_study_words

        add_study_words(study, _formatter)
        add_observers_words(observers)
    learn = words.add_parser(
        "learn", formatter_class=_formatter, help="exercises for students: films with sealed truth, and their marking"
    )
    if "learn" in given:
        from wlmeasure.cli_learn import add_learn_words

        add_learn_words(learn, _formatter, _open_viewer)
    propose = words.add_parser(
        "propose", formatter_class=_formatter, help="everything that a network sees on films, for a person to correct"
    )
    if "propose" in given:
        from wlmeasure.cli_propose import add_propose_words

        add_propose_words(propose)
    corrections = words.add_parser(
        "corrections",
        formatter_class=_formatter,
        help="what persons made of what a network proposed, by item, model, person",
    )
    if "corrections" in given:
        from wlmeasure.cli_corrections import add_corrections_words

        add_corrections_words(corrections)
    batch = words.add_parser("batch", formatter_class=_formatter, help="any number of cases and paths into one table")
    convert = words.add_parser(
        "convert", formatter_class=_formatter, help="paths between JSON, tables and Parquet; cases as paths"
    )
    if "batch" in given or "convert" in given:
        from wlmeasure.cli_batch import add_batch_words, add_convert_words

        add_batch_words(batch)
        add_convert_words(convert)
    parser.set_defaults(run=lambda arguments: _version_or_help(parser, arguments))
    return parser


def _formatter(prog: str) -> argparse.HelpFormatter:
    # Asking for the terminal's width would import shutil and the compression modules, 3 ms.
    return argparse.HelpFormatter(prog, width=88)


def _version_or_help(parser: argparse.ArgumentParser, arguments: argparse.Namespace) -> None:
    if arguments.version:
        print(program())
        return
    parser.error("name a command")


def _open(arguments: argparse.Namespace) -> None:
    asked = [(f"--{name}", getattr(arguments, name)) for name in ("study", "observer", "walk", "exercise")]
    _open_viewer([*arguments.files, *(word for pair in asked if pair[1] is not None for word in pair)])


def _open_viewer(words: list[str]) -> None:
    """Start the viewer as its own program: the plugin imports the core, never the other way round.

    Raises
    ------
    WlmeasureError
        The extra is not installed.
    """
    from importlib.util import find_spec

    if find_spec("napari") is None:
        raise WlmeasureError('viewer must be installed first: it is an extra; run pip install "wlmeasure[viewer]"')
    import runpy

    sys.argv = ["wlmeasure open", *words]
    runpy.run_module("wlmeasure_napari", run_name="__main__")


def _read(arguments: argparse.Namespace) -> None:
    from wlmeasure.image.reading import is_structured_report, read
    from wlmeasure.share.picture import picture_json, picture_text

    if is_structured_report(arguments.image):
        _read_report(arguments)
        return
    if arguments.case is not None:
        raise WlmeasureError("--case must come with a structured report: an image holds no case")
    radiograph = read(arguments.image, frame=arguments.frame)
    if arguments.json:
        print_json(picture_json(radiograph))
    else:
        print(picture_text(radiograph), end="")


def _films(arguments: argparse.Namespace) -> None:
    from wlmeasure.image.listing import list_films
    from wlmeasure.share.film_list import films_json, films_text

    found = list_films(arguments.place)
    if arguments.json:
        print_json(films_json(found))
    else:
        print(films_text(found), end="")


def _read_report(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.share.dicom.report_reading import case_to_file, read_report
    from wlmeasure.share.dicom.report_words import report_json, report_text

    keep([arguments.image])
    report = read_report(Path(arguments.image))
    if arguments.case is not None:
        case_to_file(Path(arguments.image), Path(arguments.case))
    if arguments.json:
        print_json(report_json(report))
    else:
        print(report_text(report), end="")
        if arguments.case is not None:
            print(f"Written: {arguments.case}; beside it belong the very files of its films that were measured")


def _evaluated(path: str, *, retrace: bool = False, clicks: Clicks | None = None) -> CaseResult:
    """A case read and measured; what cannot be measured names the case too, as what cannot be read does."""
    from pathlib import Path

    from wlmeasure.record.case import load_case
    from wlmeasure.record.edit import with_clicks
    from wlmeasure.record.evaluate import evaluate

    case = load_case(path)
    keep([path, *(case.film_path(film) for film in case.films)])
    if clicks is not None:
        case = with_clicks(case, clicks)
    try:
        return evaluate(case, retrace=retrace)
    except ImageError:
        raise  # names the image's file
    except WlmeasureError as error:
        raise type(error)(f"{Path(path).name}: {error}") from None


def _clicks(said: str) -> Clicks:
    """What was said of clicks: a number of pixels, or the file that holds them."""
    from wlmeasure.record.case import Clicks
    from wlmeasure.record.click_profile import load_clicks
    from wlmeasure.words import typed_number

    try:
        px = typed_number(said)
    except ValueError:
        keep([said])
        return load_clicks(said).clicks
    try:
        return Clicks(std_px=px, source="stated")
    except CaseError:
        raise WlmeasureError(
            f"--clicks must be more than 0 and at most 50 px: {said}; say how far a click is off (one standard deviation)"
        ) from None


def _save_beside(case: Case, out: str, told: TextIO) -> None:
    """Write a case beside the one it was made from: from there its films are found."""
    from pathlib import Path

    from wlmeasure.record.case import save_case

    if Path(out).absolute().parent.resolve() != case.folder.absolute().resolve():
        raise WlmeasureError(
            f"--out must lie in the case's folder, from where its films are found: {out}; name a file there"
        )
    save_case(case, out, replace=False)
    print(out, file=told)


def _measure(arguments: argparse.Namespace) -> None:
    from wlmeasure.share.result import record_text, result_json

    clicks = None if arguments.clicks is None else _clicks(arguments.clicks)
    if clicks is None and arguments.out is not None:
        raise WlmeasureError("--out must come with --clicks: the case would be written as it is")
    result = _evaluated(arguments.case, retrace=arguments.retrace, clicks=clicks)
    if arguments.out is not None:
        _save_beside(result.case, arguments.out, sys.stderr if arguments.json else sys.stdout)
    compared = _compared(result)
    if arguments.json:
        print_json(result_json(result, compared))
    else:
        print(record_text(result, compared), end="")
        if arguments.retrace and all(t.retraced_mm is None for canal in result.canals for t in canal.traces):
            print("Nothing was traced again: the case stores no path beside its clicks")


def _compared(result: CaseResult) -> tuple[Comparison, ...]:
    """The films over time; the room is loaded only where a canal was traced on two of them."""
    if all(len(canal.traces) < 2 for canal in result.canals):
        return ()
    from wlmeasure.record.over_time import over_time

    return over_time(result)


def _report(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.share.card import card_file
    from wlmeasure.share.report import report_file
    from wlmeasure.whole_file import write_whole

    out = Path(arguments.out)
    result = _evaluated(arguments.case)
    made = {"made_at": now().replace("T", " "), "program": program()}
    if arguments.stops:
        page = card_file(result, out.name, decimal="," if arguments.decimal_comma else ".", **made)
    else:
        page = report_file(result, out.name, compared=_compared(result), **made)
    write_whole(out, page_content(page))
    print(out)


def _share(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.share.hand_on import share_files
    from wlmeasure.whole_file import write_whole

    result = _evaluated(arguments.case)
    previous = None if arguments.previous is None else Path(arguments.previous)
    keep([] if previous is None else [previous])
    made = {"made_at": now(), "program": program(), "film": arguments.film, "previous": previous}
    for path, content in share_files(result, arguments.form, Path(arguments.out), **made):
        write_whole(path, content)
        print(path)


def _deidentify(arguments: argparse.Namespace) -> None:
    from wlmeasure.share.deidentify import Pixels, Profile, deidentify_files

    profile = Profile(retain_uids=arguments.retain_uids, clean_descriptors=arguments.clean_descriptors)
    boxes = tuple(_box(text) for text in arguments.redact_box)
    pixels = Pixels(none=arguments.no_text_in_pixels, find=arguments.redact, boxes=boxes, look=arguments.preview)
    done = deidentify_files(arguments.files, arguments.out, profile, pixels=pixels, keep_names=arguments.keep_names)
    files = "1 file" if len(done.files) == 1 else f"{len(done.files)} files"
    print(f"{files} in {arguments.out}, {len(done.changes)} elements changed; removed.csv lists them")
    if done.kept:
        print(f"{len(done.kept)} texts stay, as the profile keeps them; kept.csv names each: read it before handing on")
    blacked = sum(change.where == "pixels" for change in done.changes)
    if arguments.redact or blacked:
        print(
            f"{blacked} places blacked out. Only what looks like writing is found: look at every picture before handing it on"
        )
    if done.looks:
        print(f"Pictures to look at, not to hand on: {arguments.preview}")
    for one in done.left_out:
        print(f"wlmeasure: left out: {one_line(f'{one.name} {one.reason}')}", file=sys.stderr)
    if done.left_out:
        raise WlmeasureError(f"{len(done.left_out)} of {len(arguments.files)} files were left out; the rest is done")


def _box(text: str) -> Box:
    """A box as typed.

    Raises
    ------
    WlmeasureError
        Not four whole numbers, or no rectangle.
    """
    from wlmeasure.image.marks import Box

    parts = text.split(",")
    if len(parts) != 4 or not all(part.strip().isdecimal() for part in parts):
        raise WlmeasureError(f"--redact-box must be ROW,COL,ROWS,COLS in whole pixels: {text!r}")
    row, col, rows, cols = (int(part) for part in parts)
    return Box(row, col, rows, cols)


def _demo(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.record.case import load_case
    from wlmeasure.record.evaluate import evaluate
    from wlmeasure.share.result import record_text
    from wlmeasure.share.samples import sample_case, sample_truth_text, write_demo

    result = evaluate(load_case(sample_case(DEMO_CASE)))
    print(record_text(result), end="")
    print(sample_truth_text(result), end="")
    written = write_demo(result, Path(arguments.out), at=now(), program=program())
    print("\nWritten: " + ", ".join(str(path) for path in written))


def _phantom(arguments: argparse.Namespace) -> None:
    from wlmeasure.phantom.dataset import each_film

    asked = {name: getattr(arguments, name.removesuffix("_mm")) for name in ("confluent", "cap", "scatter", "ramp_mm")}
    options = {name: value for name, value in asked.items() if value is not None}
    if arguments.views > 1:
        options["views"] = arguments.views
        if arguments.shift is not None:
            options["shift_deg"] = arguments.shift
    elif arguments.shift is not None:
        raise WlmeasureError("--shift needs more than one film of a tooth: give --views 2 or --views 3")
    for path in each_film(arguments.out, arguments.count, arguments.seed, arguments.level, **options):
        print(path, flush=True)  # a second a film: a long run shows how far it is
    from wlmeasure.study.dataset import write_truth

    print(write_truth(arguments.out))


if __name__ == "__main__":
    sys.exit(main())
