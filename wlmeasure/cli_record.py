"""The words of `wlmeasure record`, the archive. They compute nothing, and import the archive only when one of them is said."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable

from wlmeasure.cli_output import TOOTH_HELP, print_json, typed_tooth, whole, words_of
from wlmeasure.errors import WlmeasureError

__all__ = ["add_record_words"]

TYPE_CHECKING = False  # `typing` is kept off the start-up path
if TYPE_CHECKING:
    from wlmeasure.record.archive.archive import Archive
    from wlmeasure.record.archive.rows import Head

Formatter = Callable[[str], argparse.HelpFormatter]


def add_record_words(record: argparse.ArgumentParser, formatter: Formatter) -> None:
    """Give the parser of the word `record` its own words."""

    def every(parser: argparse.ArgumentParser) -> None:
        parser.add_argument(
            "--archive",
            metavar="URL",
            help="a path, or postgresql://USER@HOST/DATABASE (the variable WLMEASURE_ARCHIVE, else a file of your own)",
        )
        parser.add_argument("--json", action="store_true", help="print JSON")

    word = words_of(record, formatter, every)
    add = word("add", "store a case file, or one entry more of a case", _add)
    add.add_argument("what", metavar="CASE.wl.json|CASE_ID")
    add.add_argument("--id", metavar="CASE_ID", help="the case's id, where the file has none; no names")
    add.add_argument("--on", type=whole, metavar="ROW", help="the state that this was made from: the row `show` gives")
    add.add_argument("--by", metavar="NAME", help="who stores it (the user of this computer)")
    add.add_argument("--kind", metavar="KIND", help="add one entry of this kind, such as 'electronic reading'")
    add.add_argument("--canal", metavar="CANAL", help="the entry's canal; none for the whole tooth")
    add.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="MEMBER=VALUE",
        help="another member of the entry; may be repeated",
    )
    add.add_argument(
        "--confirm", action="append", default=[], metavar="CODE", help="a question about an entry, answered with yes"
    )
    add.add_argument("--at", metavar="TIME", help="when the entry was made (now)")
    find = word("list", "the cases of a search", _list)
    find.add_argument("--tooth", metavar="TOOTH", help=TOOTH_HELP)
    for name, what in (("status", "STATUS"), ("kind", "KIND"), ("flag", "CODE"), ("since", "DAY"), ("until", "DAY")):
        find.add_argument(f"--{name}", metavar=what, help="of one entry that stands")
    find.add_argument("--film", metavar="SHA256", help="with this film")
    find.add_argument("--most", type=whole, metavar="N", help="no more than N cases")
    show = word("show", "a case with its entries", _show)
    show.add_argument("case_id", metavar="CASE_ID")
    show.add_argument("--revision", type=whole, metavar="N", help="as it was at revision N")
    show.add_argument("--out", metavar="CASE.wl.json", help="write it as a case file too, if there is none yet")
    history = word("history", "every row of a case: who stored what, when", _history)
    history.add_argument("case_id", metavar="CASE_ID")
    check = word("verify", "is the archive what was stored?", _verify)
    check.add_argument("--receipt", metavar="ROW:HASH", help="an earlier receipt, from paper")
    out = word("export", "every case as a case file", _export)
    out.add_argument("folder", metavar="DIR", help="a new or empty folder")
    back = word("import", "store case files, folders of them, or a backup into a new archive", _import)
    back.add_argument("paths", nargs="+", metavar="PATH")
    back.add_argument("--by", metavar="NAME", help="who stores them (the user of this computer)")
    back.add_argument(
        "--confirm", action="append", default=[], metavar="CODE", help="a question about the entries, answered with yes"
    )
    back.add_argument("--receipt", metavar="FILES:HASH", help="that of the export, from paper")
    copy = word("backup", "copy the archive, chain and all, into a new SQLite file", _backup)
    copy.add_argument("path", metavar="FILE")


def _show_text(text: str) -> None:
    """Lines for a person; whatever stands in a database, a terminal only shows it."""
    print("\n".join("".join(c if c.isprintable() else "?" for c in line) for line in text.split("\n")), end="")


def _now() -> str:
    from datetime import datetime

    return datetime.now().astimezone().replace(microsecond=0).isoformat()


def _user(given: str | None) -> str:
    if given is not None:
        return given
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        raise WlmeasureError("--by must be given: this computer does not say who you are") from None


def _open(arguments: argparse.Namespace, *, create: bool = False) -> Archive:
    from wlmeasure.record.archive import check_installed

    check_installed()
    from wlmeasure.record.archive.archive import open_archive
    from wlmeasure.record.archive.place import place_of

    warning = place_of(arguments.archive).warning
    if warning is not None:
        print(f"wlmeasure: warning: {warning}", file=sys.stderr)
    return open_archive(arguments.archive, create=create)


def _head(archive: Archive, case_id: str, on: int | None) -> Head | None:
    return None if on is None else archive.head(case_id, on)


def _add(arguments: argparse.Namespace) -> None:
    from wlmeasure.share.archived import added_json, added_text

    by = _user(arguments.by)
    if arguments.kind is not None:
        if arguments.id is not None:
            raise WlmeasureError("--id must not be given with --kind: it is for case files")
        from wlmeasure.record.archive.typed import typed_entry

        with _open(arguments) as archive:
            stored = archive.load(arguments.what)
            head = _head(archive, arguments.what, arguments.on) or stored.head
            entry = typed_entry(
                stored.case,
                arguments.kind,
                arguments.canal,
                arguments.set,
                at=arguments.at or _now()[:19],
                by=by,
                confirmed=arguments.confirm,
                now=_now(),
            )
            added = archive.append(arguments.what, entry, by=by, at=_now(), on=head)
    else:
        if arguments.canal is not None or arguments.set or arguments.at is not None:
            raise WlmeasureError("--kind must be given with --canal, --set and --at: they are for one entry")
        from wlmeasure.record.archive.archive import identified
        from wlmeasure.record.case import load_case

        case = identified(load_case(arguments.what), arguments.id)
        with _open(arguments, create=True) as archive:
            on = _head(archive, case.case_id or "", arguments.on)
            added = archive.add(case, by=by, at=_now(), on=on, confirmed=arguments.confirm)
    if arguments.json:
        print_json(added_json(added))
    else:
        _show_text(added_text(added))


def _list(arguments: argparse.Namespace) -> None:
    from wlmeasure.share.archived import cases_json, cases_text

    with _open(arguments) as archive:
        from wlmeasure.record.archive.answers import Search

        names = ("status", "kind", "flag", "since", "until", "film", "most")
        said = {name: getattr(arguments, name) for name in names}
        found = archive.cases(Search(tooth=typed_tooth(arguments.tooth), **said))
    if arguments.json:
        print_json(cases_json(found))
    else:
        _show_text(cases_text(found))


def _show(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.record.case import save_case
    from wlmeasure.share.archived import case_json, case_text

    with _open(arguments) as archive:
        stored = archive.load(arguments.case_id, arguments.revision)
    if arguments.out is not None:
        if Path(arguments.out).exists():
            raise WlmeasureError(f"--out must name a new file: {arguments.out} is there already")
        save_case(stored.case, arguments.out, replace=False)
    if arguments.json:
        print_json(case_json(stored))
    else:
        _show_text(case_text(stored))


def _history(arguments: argparse.Namespace) -> None:
    from wlmeasure.share.archived import history_json, history_text

    with _open(arguments) as archive:
        steps = archive.history(arguments.case_id)
    if arguments.json:
        print_json(history_json(arguments.case_id, steps))
    else:
        _show_text(history_text(arguments.case_id, steps))


def _verify(arguments: argparse.Namespace) -> None:
    with _open(arguments) as archive:
        from wlmeasure.record.archive.chain import receipt_from_text
        from wlmeasure.record.archive.verify import verify
        from wlmeasure.share.archived import verdict_json, verdict_text

        receipt = None if arguments.receipt is None else receipt_from_text(arguments.receipt)
        verdict = verify(archive, receipt)
    if arguments.json:
        print_json(verdict_json(verdict))
    else:
        _show_text(verdict_text(verdict))
    if verdict.findings:
        raise WlmeasureError("archive is not what was stored: see the findings, and compare with the last backup")


def _export(arguments: argparse.Namespace) -> None:
    with _open(arguments) as archive:
        from wlmeasure.record.archive.exchange import export
        from wlmeasure.share.archived import exported_json, exported_text

        done = list(export(archive, arguments.folder))
    if arguments.json:
        print_json(exported_json(done))
    else:
        _show_text(exported_text(done))
    if bad := [one for one in done if getattr(one, "error", None) is not None]:
        raise WlmeasureError(f"{len(bad)} of {len(done) - 1} cases are not in {arguments.folder}: see above")


def _import(arguments: argparse.Namespace) -> None:
    by = _user(arguments.by)
    with _open(arguments, create=True) as archive:
        from wlmeasure.record.archive.chain import receipt_from_text
        from wlmeasure.record.archive.exchange import import_files, is_backup, restore
        from wlmeasure.share.archived import imported_json, imported_text, verdict_json, verdict_text

        if len(arguments.paths) == 1 and is_backup(arguments.paths[0]):
            verdict = restore(archive, arguments.paths[0])
            if arguments.json:
                print_json(verdict_json(verdict))
            else:
                _show_text(verdict_text(verdict))
            return
        receipt = None if arguments.receipt is None else receipt_from_text(arguments.receipt)
        confirmed = arguments.confirm
        done = list(import_files(archive, arguments.paths, by=by, at=_now(), confirmed=confirmed, receipt=receipt))
    if arguments.json:
        print_json(imported_json(done))
    else:
        _show_text(imported_text(done))
    if refused := [one for one in done if one.error is not None]:
        raise WlmeasureError(f"{len(refused)} of {len(done)} files must be looked at: nothing was stored of them")


def _backup(arguments: argparse.Namespace) -> None:
    with _open(arguments) as archive:
        from wlmeasure.record.archive.exchange import backup
        from wlmeasure.share.archived import verdict_json, verdict_text

        verdict = backup(archive, arguments.path)
    if arguments.json:
        print_json(verdict_json(verdict))
    else:
        _show_text(verdict_text(verdict))
    if verdict.findings:
        raise WlmeasureError(f"{arguments.path} is written, but the archive is not what was stored: see the findings")
