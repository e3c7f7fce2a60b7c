"""The films of a folder or DICOMDIR as lines for a person and as JSON."""

from __future__ import annotations

from typing import Any

from wlmeasure.image.listing import FilmList, ListedFilm

__all__ = ["film_entry", "film_line", "films_json", "films_text"]


def film_line(film: ListedFilm) -> str:
    """One film in one line: tooth, date, size, name; or why it cannot be opened."""
    if film.refused:
        return f"! {film.name}: {film.refused}"
    tooth = ", ".join(film.teeth) or "tooth not coded"
    day = f"{film.date or 'no date'}{' (file)' if film.date_is_of_file else ''}"
    frames = f", {film.frames} frames" if film.frames > 1 else ""
    return f"{tooth:<15}  {day:<17}  {film.rows} x {film.cols}{frames}  {film.name}"


def film_entry(film: ListedFilm) -> str:
    """The same in two short lines, for a narrow list."""
    if film.refused:
        return f"{film.name}\n! {film.refused}"
    tooth = ", ".join(film.teeth) or "tooth not coded"
    frames = f", {film.frames} frames" if film.frames > 1 else ""
    return f"{tooth};  {film.date or 'no date'};  {film.rows} x {film.cols}{frames}\n{film.name}"


def films_text(found: FilmList) -> str:
    """A line a film, what was passed over, and remarks."""
    counted = sum(not film.refused for film in found.films)
    lines = [film_line(film) for film in found.films]
    passed = f"; {found.others} other files passed over" if found.others > 1 else ""
    passed = "; 1 other file passed over" if found.others == 1 else passed
    lines.append(f"{counted} film{'' if counted == 1 else 's'}{passed}")
    lines += [f"! {text}" for text in found.notes]
    return "\n".join(lines) + "\n"


def films_json(found: FilmList) -> dict[str, Any]:
    """The same as JSON-ready values; `date` as ISO 8601, `refused` null for a film that can be opened."""
    return {
        "schema": "wlmeasure-films/1",
        "films": [
            {
                "path": str(film.path),
                "format": film.format or None,
                "teeth": list(film.teeth),
                "date": film.date,
                "date_is_of_file": film.date_is_of_file,
                "rows": film.rows,
                "cols": film.cols,
                "frames": film.frames,
                "refused": film.refused or None,
            }
            for film in found.films
        ],
        "others": found.others,
        "notes": list(found.notes),
    }
