"""The words of `wlmeasure learn`. They compute nothing, and import the room only when one of them is said."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from wlmeasure.cli_output import now, page_content, print_json, program, whole, words_of
from wlmeasure.errors import WlmeasureError

__all__ = ["add_learn_words", "password"]

Formatter = Callable[[str], argparse.HelpFormatter]
PASSWORD = "WLMEASURE_LEARN_PASSWORD"


def add_learn_words(
    learn: argparse.ArgumentParser, formatter: Formatter, open_viewer: Callable[[list[str]], None]
) -> None:
    """Give the parser of the word `learn` its own words; `open_viewer` starts the viewer with words of its own."""

    def replay(arguments: argparse.Namespace) -> None:
        film = [] if arguments.film is None else ["--film", arguments.film]
        open_viewer(["--replay", arguments.exercise, arguments.answers, *film])

    word = words_of(learn, formatter)
    new = word("new", "an exercise: films whose truth is sealed, a sheet for paper, a table for the answers", _new)
    new.add_argument("out", metavar="OUT", help="a new or empty folder")
    new.add_argument("--count", type=whole, default=10, metavar="N", help="number of phantoms (%(default)s)")
    new.add_argument("--level", default="typical", metavar="L", help="clear, typical, faint or hard (%(default)s)")
    new.add_argument("--seed", type=whole, default=None, metavar="S", help="the same seed, the same films (drawn)")
    new.add_argument(
        "--views",
        type=whole,
        default=1,
        choices=(1, 2),
        help="films of each tooth; on the second the tube is shifted (1)",
    )
    new.add_argument("--films", nargs="+", metavar="FILM", help="your own films, in place of phantoms")
    new.add_argument("--key", metavar="KEY.csv", help="what is true of them, one row a film")
    new.add_argument(
        "--secret",
        action="store_true",
        help=f"encrypt the truth with the password in the variable {PASSWORD}; without, it is only packed",
    )
    marking = word("mark", "mark answers: error with sign, what kind of error, how true the intervals are", _mark)
    marking.add_argument("exercise", metavar="EXERCISE", help="the exercise's folder")
    marking.add_argument("answers", metavar="ANSWERS.csv")
    marking.add_argument("--out", metavar="FILE.html|FILE.pdf", help="a page with every film, both paths and the plots")
    marking.add_argument("--progress", metavar="FILE.csv", help="add this marking to a table over time")
    marking.add_argument("--json", action="store_true", help="print JSON")
    again = word("replay", "a path beside the true canal, turned in the viewer's 3-D view", replay)
    again.add_argument("exercise", metavar="EXERCISE")
    again.add_argument("answers", metavar="ANSWERS.csv")
    again.add_argument("--film", metavar="NAME", help="which film (the one that is farthest off)")
    gallery = word("gallery", "one tooth exposed differently, and the length that each method gives", _gallery)
    gallery.add_argument("--out", required=True, metavar="FILE.html|FILE.pdf|FILE.svg")
    gallery.add_argument("--seed", type=whole, default=7, metavar="S", help="another tooth (%(default)s)")


def password() -> str | None:
    """What the truth of an exercise is sealed with, from the environment."""
    import os

    return os.environ.get(PASSWORD) or None


def _new(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.learn.exercise import load_exercise
    from wlmeasure.learn.new import exercise_from_films, exercise_from_phantoms
    from wlmeasure.learn.pages import sheet_page
    from wlmeasure.share.page_file import page_file
    from wlmeasure.whole_file import write_whole

    sealed = password() if arguments.secret else None
    if arguments.secret and sealed is None:
        raise WlmeasureError(f"--secret needs a password: set the variable {PASSWORD}")
    if arguments.secret and arguments.seed is not None:
        raise WlmeasureError(
            "--secret must stand without --seed: whoever guesses a seed can draw the films with their truth"
        )
    if (arguments.films is None) != (arguments.key is None):
        raise WlmeasureError("--films and --key must be given together: the key says what is true of the films")
    if arguments.films is not None:
        if arguments.views > 1:
            raise WlmeasureError(
                "--views is for phantoms: the second films of your own stand in the key, as second_film"
            )
        films = exercise_from_films(arguments.out, arguments.films, arguments.key, made_at=now(), password=sealed)
    else:
        import secrets

        # Films of a seed can be drawn again with their truth, and a small one is found by trying.
        drawn = secrets.randbits(128) if arguments.secret else secrets.randbelow(2**31)
        seed = drawn if arguments.seed is None else arguments.seed
        films = exercise_from_phantoms(
            arguments.out,
            arguments.count,
            seed,
            arguments.level,
            views=arguments.views,
            made_at=now(),
            password=sealed,
        )
    for path in films:
        print(path, flush=True)  # a second a film: a long run shows how far it is
    folder = Path(arguments.out)
    exercise = load_exercise(folder)
    for name in ("sheet.html", "sheet.pdf"):
        write_whole(folder / name, page_content(page_file(name, lambda: sheet_page(exercise, folder))), private=False)
        print(folder / name)
    print(folder / "answers.csv")


def _mark(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.learn.answers import load_answers
    from wlmeasure.learn.exercise import load_exercise, open_seal
    from wlmeasure.learn.mark import mark
    from wlmeasure.learn.pages import MARKED_BEFORE, marks_page
    from wlmeasure.learn.progress import add_step, marked_before, step_of
    from wlmeasure.learn.words import marks_json, marks_text
    from wlmeasure.share.page_file import page_file
    from wlmeasure.whole_file import keep, write_whole

    keep([arguments.answers])
    exercise = load_exercise(arguments.exercise)
    answers = load_answers(arguments.answers)
    marks = mark(exercise, open_seal(arguments.exercise, exercise, password()), answers)
    steps = () if arguments.progress is None else add_step(arguments.progress, step_of(marks, now()))
    if arguments.out is not None:
        out = Path(arguments.out)
        made = {"made_at": now().replace("T", " "), "program": program()}
        page = page_file(out.name, lambda: marks_page(marks, Path(arguments.exercise), steps=steps, **made))
        write_whole(out, page_content(page))
    if arguments.json:
        print_json(marks_json(marks))
        return
    print(marks_text(marks), end="")
    if marked_before(steps):
        print(f"\n{MARKED_BEFORE}")
    if arguments.out is not None:
        print(f"\nWritten: {arguments.out}")


def _gallery(arguments: argparse.Namespace) -> None:
    from pathlib import Path

    from wlmeasure.learn.gallery import gallery, gallery_page, lengths_drawing
    from wlmeasure.share.drawing import svg
    from wlmeasure.share.page_file import page_file
    from wlmeasure.whole_file import write_whole

    out = Path(arguments.out)
    made = {"made_at": now().replace("T", " "), "program": program()}
    if out.suffix.lower() == ".svg":
        write_whole(out, svg(lengths_drawing(gallery(arguments.seed))) + "\n")
    else:
        write_whole(out, page_content(page_file(out.name, lambda: gallery_page(gallery(arguments.seed), **made))))
    print(out)
