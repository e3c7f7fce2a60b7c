"""A process that enters notes by the command line's own words, and again where it is told of a conflict.

    WLMEASURE_ARCHIVE=ADDRESS python archive_words.py NAME COUNT CASES

It goes round the cases P-00000, P-00001, ... Each line is a note once it is stored; "conflict" says that another was quicker.
"""

import io
import sys
from contextlib import redirect_stderr, redirect_stdout

from wlmeasure.cli import main


def said(words):
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main(["record", *words])
    return status, err.getvalue()


if __name__ == "__main__":
    name, count, cases = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    number = 0
    while number < count:
        note = ["--kind", "note", "--canal", "single", "--set", f"note={name}-{number}", "--by", name]
        status, told = said(["add", f"P-{number % cases:05d}", *note])
        if status == 0:
            print(f"{name}-{number}", flush=True)
            number += 1
        elif "has changed since" in told:
            print("conflict", flush=True)
        else:
            sys.exit(told)
