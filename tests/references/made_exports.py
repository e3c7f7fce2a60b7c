"""Exports as clinic software makes them, from phantoms: a grey film with what is drawn on it, in every kind of file.

`exports()` gives sixty files with the grey beneath, `not_films()` twenty pictures that are no radiographs: those in colour
that come with scikit-image, and drawn ones. Everything is drawn from seeds; nothing is fetched.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import skimage
from attrs import evolve, field, frozen
from dicom_film import film as dicom_film
from dicom_film import written
from numpy.typing import NDArray
from PIL import Image, ImageOps
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit

from wlmeasure.phantom import make_phantom

Picture = NDArray[np.uint8]
YELLOW, RED, GREEN, BLUE, CYAN = (255, 220, 0), (230, 20, 20), (0, 200, 60), (40, 70, 240), (0, 210, 230)
LEVELS = ("clear", "typical", "faint")
"""Of the phantoms; hard ones have rounded corners of their own."""
SIZE = (600, 420)


@frozen(eq=False)
class Drawn:
    """A film with drawings on it: red, green, blue; the grey film beneath; what was drawn, and of that the coloured part."""

    rgb: Picture = field(repr=False)
    grey: Picture = field(repr=False)
    drawn: NDArray[np.bool_] = field(repr=False)

    @property
    def seen(self) -> NDArray[np.bool_]:
        """What was drawn and differs from the film: black on black air is no drawing to an eye."""
        away = np.abs(self.rgb.astype(int) - self.grey[..., None]).max(axis=2)
        return self.drawn & (away > 30)


@frozen(eq=False)
class Export:
    """One file: `values` is what a perfect reader of that file gives where nothing was `drawn`, turned as it is to be turned.

    For a JPEG that is the grey film through a grey JPEG of the same quality; `grey` is the film before any loss.
    """

    name: str
    file: str
    content: bytes = field(repr=False)
    grey: Picture = field(repr=False)
    values: Picture = field(repr=False)
    drawn: NDArray[np.bool_] = field(repr=False)
    seen: NDArray[np.bool_] = field(repr=False)
    quality: int | None = None
    inverted: bool = False


@cache
def grey_film(seed: int) -> Picture:
    """A phantom's film of 8 bits, its pixels not square; levels take turns."""
    image = make_phantom(
        seed, LEVELS[seed % 3], size_px=SIZE, spacing_mm=(0.060, 0.052), bits=8, jpeg_quality=None, tone="gamma"
    ).image
    # Three to four times the fine texture, as on real films: the shared reference's figure.
    grain = np.random.default_rng(seed).normal(0.0, 5.0, image.shape)
    return np.clip(np.rint(image + cv2.GaussianBlur(grain, (0, 0), 0.8) * 2.0), 0, 255).astype(np.uint8)


def start(seed: int) -> Drawn:
    grey = grey_film(seed)
    return Drawn(np.dstack([grey] * 3), grey, np.zeros(grey.shape, np.bool_))


def painted(on: Drawn, paint: Callable[[Picture], None]) -> Drawn:
    """What `paint` draws into the picture, and where it changed it."""
    rgb = on.rgb.copy()
    paint(rgb)
    touched = np.zeros(on.grey.shape, np.bool_)
    for ground in (0, 255):  # drawn on black and on white: every pixel of it shows on one of them
        blank = np.full_like(rgb, ground)
        paint(blank)
        touched |= (blank != ground).any(axis=2)
    return evolve(on, rgb=rgb, drawn=on.drawn | touched)


def letters(
    on: Drawn, colour: tuple[int, int, int] = YELLOW, text: str = "46 R 12:30", at: tuple[int, int] = (8, 24)
) -> Drawn:
    def paint(rgb: Picture) -> None:
        cv2.putText(rgb, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.6, colour, 1, cv2.LINE_AA)

    return painted(on, paint)


def ruler(on: Drawn, colour: tuple[int, int, int] = GREEN) -> Drawn:
    def paint(rgb: Picture) -> None:
        x = rgb.shape[1] - 6
        cv2.line(rgb, (x, 40), (x, rgb.shape[0] - 40), colour, 1)
        for k, y in enumerate(range(40, rgb.shape[0] - 40, 17)):
            cv2.line(rgb, (x - (14 if k % 5 == 0 else 7), y), (x, y), colour, 1)

    return painted(on, paint)


def arrow(on: Drawn, colour: tuple[int, int, int] = RED) -> Drawn:
    def paint(rgb: Picture) -> None:
        cv2.arrowedLine(rgb, (290, 420), (225, 360), colour, 2, cv2.LINE_AA, tipLength=0.3)

    return painted(on, paint)


def logo(on: Drawn) -> Drawn:
    def paint(rgb: Picture) -> None:
        centre = rgb.shape[1] - 32, rgb.shape[0] - 32
        cv2.circle(rgb, centre, 22, BLUE, -1, cv2.LINE_AA)
        cv2.putText(
            rgb, "X", (centre[0] - 9, centre[1] + 9), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (255, 255, 255), 2, cv2.LINE_AA
        )

    return painted(on, paint)


def frame(on: Drawn, colour: tuple[int, int, int], width: tuple[int, int, int, int]) -> Drawn:
    """A frame drawn over the film: widths at the top, bottom, left and right."""
    top, bottom, left, right = width

    def paint(rgb: Picture) -> None:
        rows, cols = rgb.shape[:2]
        rgb[:top], rgb[rows - bottom :], rgb[:, :left], rgb[:, cols - right :] = colour, colour, colour, colour

    return painted(on, paint)


def corners(on: Drawn, colour: int, radius: int) -> Drawn:
    rows, cols = on.grey.shape
    y = np.minimum(np.arange(rows), np.arange(rows)[::-1])[:, None]
    x = np.minimum(np.arange(cols), np.arange(cols)[::-1])[None, :]
    outside = (y < radius) & (x < radius) & (np.hypot(radius - y, radius - x) > radius)

    def paint(rgb: Picture) -> None:
        rgb[outside] = colour

    return painted(on, paint)


def bar(on: Drawn, grey: int, at: tuple[int, int, int, int]) -> Drawn:
    top, bottom, left, right = at

    def paint(rgb: Picture) -> None:
        rgb[top:bottom, left:right] = grey

    return painted(on, paint)


def inverted(on: Drawn) -> Drawn:
    return evolve(on, rgb=np.dstack([255 - on.grey] * 3), grey=255 - on.grey)


def tinted(on: Drawn, tint: tuple[float, float, float]) -> Drawn:
    """Printed in one tint; the grey that a reader can give is its luminance (ITU-R BT.601)."""
    rgb = np.rint(on.grey[..., None] * np.array(tint)).astype(np.uint8)
    luminance = (rgb.astype(int) @ [299, 587, 114] + 500) // 1000
    return evolve(on, rgb=rgb, grey=luminance.astype(np.uint8))


# ---- files ----


def saved(picture: Picture, kind: str, **options: object) -> bytes:
    sink = io.BytesIO()
    Image.fromarray(picture).save(sink, kind, **options)
    return sink.getvalue()


def lossless(name: str, on: Drawn, kind: str = "PNG", **options: object) -> Export:
    suffix = {"PNG": "png", "TIFF": "tif", "BMP": "bmp"}[kind]
    return Export(name, f"film.{suffix}", saved(on.rgb, kind, **options), on.grey, on.grey, on.drawn, on.seen)


def jpeg(name: str, on: Drawn, quality: int, subsampling: str = "4:2:0", **options: object) -> Export:
    content = saved(on.rgb, "JPEG", quality=quality, subsampling=subsampling, **options)
    ideal = np.asarray(Image.open(io.BytesIO(saved(on.grey, "JPEG", quality=quality))))
    return Export(
        f"{name}, JPEG {quality} {subsampling}", "film.jpg", content, on.grey, ideal, on.drawn, on.seen, quality
    )


def through_tint(export: Export) -> Export:
    """The ideal of a tinted JPEG: the luminance that the encoder kept, which another decoder hands over as such."""
    picture = Image.open(io.BytesIO(export.content))
    picture.draft("L", picture.size)
    return evolve(export, values=np.asarray(picture.convert("L")))


def _oriented(orientation: int) -> Image.Exif:
    tags = Image.Exif()
    tags[0x0112] = orientation
    return tags


def exif(export: Export, orientation: int) -> Export:
    """An export that was saved with an orientation (EXIF 2.3, 4.6.4 A): Pillow turns what is to be compared."""
    turned = {}
    for name in ("grey", "values", "drawn", "seen"):
        picture = Image.fromarray(np.asarray(getattr(export, name), np.uint8))
        picture.getexif()[0x0112] = orientation
        turned[name] = np.asarray(ImageOps.exif_transpose(picture))
    return evolve(
        export,
        name=f"{export.name}, EXIF {orientation}",
        grey=turned["grey"],
        values=turned["values"],
        drawn=turned["drawn"] > 0,
        seen=turned["seen"] > 0,
    )


def sixteen_bit(name: str, on: Drawn) -> Export:
    ok, content = cv2.imencode(".png", on.rgb[..., ::-1].astype(np.uint16) * 257)
    assert ok
    wide = on.grey.astype(np.uint16) * 257
    return Export(name, "film.png", content.tobytes(), wide, wide, on.drawn, on.seen)


def with_alpha(name: str, on: Drawn, radius: int) -> Export:
    """Rounded corners by transparency, the grey beneath left as it is."""
    rounded = corners(start_of(on), 0, radius)
    alpha = np.where(rounded.drawn, 0, 255).astype(np.uint8)
    content = saved(np.dstack([on.rgb, alpha]), "PNG")
    return Export(name, "film.png", content, on.grey, on.grey, on.drawn | rounded.drawn, on.seen | rounded.drawn)


def start_of(on: Drawn) -> Drawn:
    return Drawn(np.dstack([on.grey] * 3), on.grey, np.zeros(on.grey.shape, np.bool_))


def palette(name: str, on: Drawn, kind: str = "PNG") -> Export:
    """A palette of 256: the 240 greys that matter and the colours that were drawn, the nearest one for each pixel."""
    greys = np.round(np.linspace(0, 255, 240)).astype(np.uint8)
    colours = np.array([YELLOW, RED, GREEN, BLUE, CYAN, (128, 110, 0), (115, 10, 10), (0, 100, 30)], np.uint8)
    table = np.concatenate([np.stack([greys] * 3, 1), colours, np.zeros((8, 3), np.uint8)])
    nearest_grey = np.abs(greys.astype(int)[:, None] - np.arange(256)).argmin(axis=0)
    spread = on.rgb.max(axis=2).astype(int) - on.rgb.min(axis=2)
    away = np.abs(on.rgb[..., None, :].astype(int) - colours.astype(int)).sum(axis=3).argmin(axis=2) + 240
    index = np.where(spread > 40, away, nearest_grey[on.rgb[..., 1]]).astype(np.uint8)
    values = greys[nearest_grey[on.grey]]
    picture = Image.frombytes("P", index.shape[::-1], index.tobytes())
    picture.putpalette(table.tobytes())
    sink = io.BytesIO()
    picture.save(sink, kind)
    return Export(name, f"film.{kind.lower()[:3]}", sink.getvalue(), values, values, on.drawn, on.seen)


def dicom(name: str, on: Drawn, photometric: str) -> Export:
    """A secondary capture: RGB, PALETTE COLOR, or luminance and colour differences, plain or as JPEG."""
    rows, cols = on.grey.shape
    values = on.grey
    dataset = dicom_film(np.zeros((rows, cols), np.uint8), 8, SOPClassUID="1.2.840.10008.5.1.4.1.1.7")
    if photometric == "PALETTE COLOR":
        made = palette(name, on)
        index = np.asarray(Image.open(io.BytesIO(made.content)))
        table = np.array(Image.open(io.BytesIO(made.content)).getpalette(), np.uint16).reshape(-1, 3)
        dataset.PhotometricInterpretation = photometric
        for k, primary in enumerate(("Red", "Green", "Blue")):
            entries = (table[:, k] * 257).astype("<u2")
            dataset.add_new(f"{primary}PaletteColorLookupTableDescriptor", "US", [len(entries) % 65536, 0, 16])
            setattr(dataset, f"{primary}PaletteColorLookupTableData", entries.tobytes())
        dataset.PixelData = index.tobytes()
        wide = made.values.astype(np.uint16) * 257
        return Export(name, "film.dcm", written(dataset), wide, wide, on.drawn, on.seen)
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation, dataset.PlanarConfiguration = 3, photometric, 0
    if photometric == "RGB":
        dataset.PixelData = on.rgb.tobytes()
        return Export(name, "film.dcm", written(dataset), on.grey, values, on.drawn, on.seen)
    made = jpeg(name, on, 80, {"YBR_FULL": "4:4:4", "YBR_FULL_422": "4:2:2"}[photometric])
    dataset.PixelData = encapsulate([made.content])
    dataset["PixelData"].is_undefined_length = True
    content = written(dataset, JPEGBaseline8Bit)
    return evolve(made, name=f"{name}, {photometric}", file="film.dcm", content=content)


def exports() -> Iterator[Export]:
    """The sixty."""
    everything = lambda seed: logo(arrow(ruler(letters(start(seed)))))  # noqa: E731
    for k, quality in enumerate((60, 75, 92)):
        for j, sampling in enumerate(("4:2:0", "4:4:4")):
            yield jpeg("letters and ruler", ruler(letters(start(10 + 3 * k + j))), quality, sampling)
        yield jpeg("everything", everything(24 + k), quality)
        framed = frame(start(28 + k), (0, 0, 0), (30, 12, 9, 9))
        yield jpeg("black frame, white letters in it", letters(framed, (255, 255, 255)), quality)
        yield jpeg("white rounded corners", corners(start(32 + k), 255, 40), quality)
        yield jpeg("censor bar", bar(start(36 + k), 0, (140, 175, 20, 200)), quality)
        yield through_tint(jpeg("sepia", tinted(start(40 + k), (1.0, 0.90, 0.72)), quality))
        yield exif(
            jpeg("letters sideways", letters(start(44 + k)), quality, exif=_oriented((6, 8, 3)[k])), (6, 8, 3)[k]
        )
    yield jpeg("arrow", arrow(start(20)), 75, "4:2:2")
    yield jpeg("plain in three channels", start(48), 75)
    yield lossless("letters", letters(start(60), CYAN))
    yield lossless("everything", everything(61))
    yield lossless("everything", everything(62), "TIFF")
    yield lossless("everything", everything(63), "BMP")
    yield lossless("arrows", arrow(arrow(start(64)), CYAN))
    yield lossless("black frame", frame(start(65), (0, 0, 0), (12, 20, 16, 8)))
    yield lossless("white frame", frame(start(66), (255, 255, 255), (6, 6, 6, 6)))
    yield lossless("grey frame", frame(start(67), (96, 96, 96), (24, 24, 24, 24)))
    yield lossless("blue frame", frame(start(68), BLUE, (20, 20, 20, 20)))
    yield lossless("two frames", frame(frame(start(69), (255, 255, 255), (14, 14, 14, 14)), (0, 0, 0), (8, 8, 8, 8)))
    yield lossless("black rounded corners", corners(start(70), 0, 60))
    yield lossless(
        "white rounded corners, framed", frame(corners(start(71), 255, 60), (255, 255, 255), (10, 10, 10, 10))
    )
    yield lossless("grey rounded corners", corners(start(72), 128, 30))
    yield lossless("black censor bar", bar(start(73), 0, (0, 28, 0, 180)))
    yield lossless("white censor bars", bar(bar(start(74), 255, (10, 40, 30, 160)), 255, (560, 585, 200, 400)))
    yield lossless("grey censor bar inside", bar(start(75), 77, (60, 100, 120, 300)))
    yield lossless("typed white letters", letters(start(76), (255, 255, 255), "12345678 46"))
    yield lossless("typed white letters below", letters(start(77), (255, 255, 255), "BATCH 1207 R", (30, 590)))
    yield palette("palette with letters", letters(start(80)))
    yield palette("palette with letters", letters(start(81)), "BMP")
    yield palette("palette with ruler and arrow", ruler(arrow(start(82))))
    yield sixteen_bit("16 bits in three channels with letters", letters(start(83)))
    yield with_alpha("transparent corners and letters", letters(start(84), RED, at=(60, 40)), 50)
    yield evolve(lossless("inverted", inverted(start(84))), inverted=True)
    yield evolve(lossless("inverted with letters", letters(inverted(start(85)))), inverted=True)
    yield evolve(jpeg("inverted with ruler", ruler(inverted(start(88))), 75), inverted=True)
    yield lossless("blue tint", tinted(start(90), (0.80, 0.92, 1.0)))
    yield lossless("sepia tint with letters", letters(tinted(start(91), (1.0, 0.9, 0.72)), BLUE))
    yield exif(lossless("letters on the side", letters(start(92)), exif=_oriented(6)), 6)
    yield exif(jpeg("mirrored", ruler(start(93)), 85, exif=_oriented(2)), 2)
    yield dicom("letters", letters(start(94)), "RGB")
    yield dicom("everything", everything(95), "YBR_FULL")
    yield dicom("everything", everything(96), "YBR_FULL_422")
    yield dicom("letters in a palette", letters(start(97)), "PALETTE COLOR")


# ---- what is no film ----

PHOTOGRAPHS = ("astronaut.png", "chelsea.png", "coffee.png", "color.png", "hubble_deep_field.jpg", "ihc.png", "logo.png",
               "motorcycle_left.png", "motorcycle_right.png", "retina.jpg", "rocket.jpg")  # fmt: skip
"""Pictures in colour inside the wheel of scikit-image."""


def not_films() -> Iterator[tuple[str, bytes]]:
    """The twenty: file name and content."""
    folder = Path(skimage.__file__).parent / "data"
    for name in PHOTOGRAPHS:
        yield name, (folder / name).read_bytes()
    rng = np.random.default_rng(8)
    grey = grey_film(11)
    rows, cols = grey.shape
    hues = np.dstack([np.broadcast_to(np.linspace(0, 179, cols), grey.shape), np.full(grey.shape, 200), grey]).astype(
        np.uint8
    )
    yield "hues.png", saved(cv2.cvtColor(hues, cv2.COLOR_HSV2RGB), "PNG")
    patches = rng.integers(0, 256, (6, 4, 3), dtype=np.uint8)
    yield "colour_chart.png", saved(np.kron(patches, np.ones((100, 105, 1), np.uint8)), "PNG")
    yield "colour_chart.jpg", saved(np.kron(patches[::-1], np.ones((100, 105, 1), np.uint8)), "JPEG", quality=85)
    yield "shade_guide.png", saved(shade_guide(), "PNG")
    yield "web_page.png", saved(web_page(), "PNG")
    yield "bar_chart.png", saved(bar_chart(), "PNG")
    heat = cv2.applyColorMap(grey, cv2.COLORMAP_JET)[..., ::-1]
    yield "false_colours.png", saved(np.ascontiguousarray(heat), "PNG")
    skin = np.clip(
        np.array([205, 140, 120]) + cv2.GaussianBlur(rng.normal(0, 1, (rows, cols, 3)), (0, 0), 12) * 260, 0, 255
    )
    yield "skin.jpg", saved(skin.astype(np.uint8), "JPEG", quality=90)
    two = np.dstack([grey, grey[::-1], grey // 2])
    yield "two_films_in_colours.png", saved(np.ascontiguousarray(two), "PNG")


def shade_guide() -> Picture:
    """Sixteen tooth shades, four groups of hue, on a grey board (sRGB values drawn for this purpose)."""
    board = np.full((400, 660, 3), 120, np.uint8)
    groups = np.array([(235, 220, 190), (232, 222, 180), (214, 205, 185), (226, 205, 180)], float)
    for k in range(16):
        shade = groups[k // 4] - (k % 4) * np.array([14.0, 20.0, 27.0])
        cv2.ellipse(board, (30 + 40 * k, 220), (17, 60), 0, 0, 360, tuple(float(v) for v in shade), -1)
        board[300:360, 14 + 40 * k : 46 + 40 * k] = (180, 60, 70)
    return board


def web_page() -> Picture:
    """Black writing on white with blue links and a red button."""
    page = np.full((700, 900, 3), 255, np.uint8)
    for k in range(28):
        colour = (20, 60, 200) if k % 6 == 2 else (30, 30, 30)
        cv2.putText(page, "lorem ipsum dolor sit amet " * 2, (60, 40 + 23 * k), cv2.FONT_HERSHEY_PLAIN, 1.0, colour, 1)
    page[10:40, 700:860] = (210, 40, 40)
    return page


def bar_chart() -> Picture:
    chart = np.full((500, 700, 3), 255, np.uint8)
    for k, colour in enumerate((RED, GREEN, BLUE, YELLOW, CYAN)):
        chart[460 - 60 * (k + 2) : 460, 90 + 110 * k : 160 + 110 * k] = colour
    cv2.line(chart, (60, 460), (660, 460), (0, 0, 0), 2)
    return chart
