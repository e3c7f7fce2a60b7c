"""The words of `wlmeasure pacs`, the image archive. They compute nothing, and import it only when one of them is said."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from wlmeasure.cli_output import TOOTH_HELP, print_json, program, usual_notation, words_of
from wlmeasure.errors import WlmeasureError

__all__ = ["add_pacs_words"]

TYPE_CHECKING = False  # `typing` is kept off the start-up path
if TYPE_CHECKING:
    from wlmeasure.share.pacs.case_objects import CaseObjects
    from wlmeasure.share.pacs.client import ImageArchive
    from wlmeasure.share.pacs.found import Query
    from wlmeasure.share.pacs.instance import Instance

Formatter = Callable[[str], argparse.HelpFormatter]
BAR = 24  # characters of the progress bar


def add_pacs_words(pacs: argparse.ArgumentParser, formatter: Formatter) -> None:
    """Give the parser of the word `pacs` its own words."""

    def every(parser: argparse.ArgumentParser) -> None:
        parser.add_argument(
            "--server",
            metavar="NAME|URL",
            help="a server of the settings file, or https://HOST/PATH (the file's default; the variable WLMEASURE_PACS "
            "names the file, or a URL)",
        )
        parser.add_argument("--json", action="store_true", help="print JSON")

    def narrowing(parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--patient", metavar="ID", help="Patient ID, exactly")
        parser.add_argument("--accession", metavar="NUMBER", help="accession number, exactly")
        parser.add_argument(
            "--date", metavar="FROM-TO", help="days of the study, such as 20261101-20261130 or 20261101-"
        )
        parser.add_argument("--study", metavar="UID", help="Study Instance UID")
        parser.add_argument("--tooth", metavar="TOOTH", help=f"as the film itself says it: {TOOTH_HELP}")
        parser.add_argument("--modality", metavar="IO,DX,...", help="only these")

    word = words_of(pacs, formatter, every)
    narrowing(word("find", "films and reports of a patient, a number, a study or some days", _find))
    get = word("get", "instances as files; nothing is overwritten", _get)
    get.add_argument("uids", nargs="*", metavar="UID", help="SOP Instance UID, as `find` prints it")
    narrowing(get)
    get.add_argument("--out", required=True, metavar="DIR", help="folder; files get names of our own")
    send = word("send", "DICOM files, or objects of a case; each is read back and compared", _send)
    send.add_argument("files", nargs="+", metavar="FILE|CASE.wl.json")
    send.add_argument(
        "--as", dest="forms", metavar="sr,presentation,secondary,calibrated", help="what of a case is sent"
    )
    send.add_argument("--film", metavar="ID", help="only this film of the case, where a form is of one film")


def _open(arguments: argparse.Namespace) -> ImageArchive:
    from wlmeasure.share.pacs import check_installed

    check_installed()
    from wlmeasure.share.pacs.client import open_image_archive
    from wlmeasure.share.pacs.settings import server_of

    server = server_of(arguments.server)
    if server.warning is not None:
        print(f"wlmeasure: warning: {server.warning}", file=sys.stderr)
    return open_image_archive(server)


def _query(arguments: argparse.Namespace) -> Query:
    from wlmeasure.share.pacs.found import typed_query

    query: Query = typed_query(
        patient=arguments.patient,
        accession=arguments.accession,
        days=arguments.date,
        study=arguments.study,
        tooth=arguments.tooth,
        notation=usual_notation(),
        modalities=arguments.modality,
    )
    return query


def _find(arguments: argparse.Namespace) -> None:
    with _open(arguments) as archive:
        from wlmeasure.share.pacs.words import found_json, found_text

        found = archive.find(_query(arguments))
    if arguments.json:
        print_json(found_json(found))
    else:
        print(found_text(found), end="")


def _get(arguments: argparse.Namespace) -> None:
    asked = [arguments.patient, arguments.accession, arguments.date, arguments.study]
    if not arguments.uids and not any(asked):
        raise WlmeasureError("get needs a UID, or --study, --patient, --accession or --date")
    with _open(arguments) as archive:
        from wlmeasure.share.pacs.fetch import get, located
        from wlmeasure.share.pacs.words import got_json, got_words

        wanted = located(archive, arguments.uids, _query(arguments) if any(asked) else None)
        done = []
        for number, one in enumerate(get(archive, wanted, arguments.out), 1):
            done.append(one)
            if not arguments.json:
                print(got_words(one), flush=True)
            _bar(number, len(wanted), f"{number} of {len(wanted)}")
        _bar_away()
    if arguments.json:
        print_json(got_json(done))
    elif not done:
        print("nothing found")
    if bad := [one for one in done if one.error is not None]:
        raise WlmeasureError(f"{len(bad)} of {len(done)} instances were not got: see above")


def _instances(arguments: argparse.Namespace) -> tuple[list[Instance], list[CaseObjects]]:
    """What is to be sent, each once, and the cases among it."""
    from wlmeasure.record.case import SUFFIX
    from wlmeasure.share.pacs.instance import read_instance
    from wlmeasure.share.pacs.send import without_doubles

    cases = [name for name in arguments.files if name.endswith(SUFFIX)]
    if cases and arguments.forms is None:
        raise WlmeasureError("--as must say what of the case is sent, such as sr,presentation")
    if not cases and (arguments.forms is not None or arguments.film is not None):
        raise WlmeasureError(f"--as and --film must come with a case file (*{SUFFIX})")
    instances: list[Instance] = []
    measured: list[CaseObjects] = []
    for name in arguments.files:
        if name in cases:
            from wlmeasure.share.pacs.case_objects import objects_of_case_file

            forms: Sequence[str] = [form.strip() for form in arguments.forms.split(",")]
            measured.append(objects_of_case_file(name, forms, program=program(), film=arguments.film))
            instances += measured[-1].instances
        else:
            instances.append(read_instance(name))
    return without_doubles(instances), measured


def _send(arguments: argparse.Namespace) -> None:
    from datetime import datetime

    with _open(arguments) as archive:
        from wlmeasure.share.pacs.journal import user_journal
        from wlmeasure.share.pacs.send import send
        from wlmeasure.share.pacs.words import absent_words, verdict_words, verdicts_json

        instances, measured = _instances(arguments)
        total, before = sum(len(one.data) for one in instances), 0

        def progress(one: Instance) -> Callable[[int], None]:
            return lambda gone: _bar(before + min(gone, len(one.data)), total, one.name)

        verdicts = []
        at = datetime.now().astimezone().replace(microsecond=0).isoformat()
        for one, verdict in zip(
            instances, send(archive, instances, user_journal(), at=at, progress=progress), strict=True
        ):
            verdicts.append(verdict)
            before += len(one.data)
            _bar_away()
            if not arguments.json:
                print(verdict_words(verdict), flush=True)
            _bar(before, total, "")
        _bar_away()
        there = any(one.is_good for one in verdicts)  # else it is out of reach, and said so
        absent = [film for case in measured for film in case.films_not_in(archive)] if there else []
    if arguments.json:
        print_json(verdicts_json(verdicts, absent))
    elif absent:
        print(absent_words(absent))
    if bad := [one for one in verdicts if not one.is_good]:
        raise WlmeasureError(
            f"{len(bad)} of {len(verdicts)} instances are not known to be in the archive as sent: see above"
        )


def _bar(done: int, total: int, what: str) -> None:
    """How far it is, on a terminal alone."""
    if sys.stderr.isatty():
        share = done / total if total else 1.0
        filled = int(BAR * share)
        sys.stderr.write(f"\r\x1b[K{'#' * filled}{'.' * (BAR - filled)} {share:4.0%} {what[:40]}")
        sys.stderr.flush()


def _bar_away() -> None:
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()
