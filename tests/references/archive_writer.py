"""A process that writes to an archive until it is killed, or a number of entries; it says each one once it is stored.

    python archive_writer.py ADDRESS CASE_ID NAME COUNT

Each line is the entry's id; a line "conflict" says that another writer was quicker.
"""

import sys

from wlmeasure.errors import ArchiveConflictError
from wlmeasure.record.archive.archive import open_archive
from wlmeasure.record.case import Entry

AT = "2026-11-25T10:30:00"


def entry(name):
    return Entry(id=name, kind="note", at=AT, by="AB", canal="MB", note=f"written by {name}")


def write(archive, case_id, name, count, say):
    head = archive.load(case_id).head
    number = 0
    while number < count:
        try:
            head = archive.append(case_id, entry(f"{name}-{number}"), by=name, at=AT, on=head).head
        except ArchiveConflictError:
            say("conflict")
            head = archive.head(case_id)
            continue
        say(f"{name}-{number}")
        number += 1


if __name__ == "__main__":
    address, case_id, name, count = sys.argv[1:]
    with open_archive(address) as archive:
        write(archive, case_id, name, int(count), lambda line: print(line, flush=True))
