"""What a caller may ask of a phantom; everything that is None is drawn from the seed."""

from __future__ import annotations

from typing import Any

from attrs import evolve, fields, frozen

from wlmeasure.errors import PhantomError, check_finite, check_positive
from wlmeasure.phantom.kinds import KINDS, LUMENS
from wlmeasure.phantom.processing import CHAINS
from wlmeasure.phantom.trabeculae import PATTERNS

__all__ = [
    "CAPS",
    "CROWNS",
    "FAULTS",
    "FILLERS",
    "FILLINGS",
    "PICTURES",
    "POSTS",
    "RARE",
    "THINGS",
    "Options",
    "wishes",
]


@frozen
class Options:
    """Wishes for one phantom.

    Attributes
    ----------
    roots, canals
        1 to 3 and 1 to 4.
    shape
        Shape of the canals: "straight", "J", "C", "S" or "spline".
    ramp_mm
        Length over which the curvature of J, C and S goes over from a line to an arc, half on either side; 0: it jumps.
    confluent
        Whether the two canals of one root join (the truth's `joins`): a share of such roots, True for all, False for none,
        None for the level's share.
    out_of_plane
        True: bends and leans as in real molars. False: canals in the plane y = 0. A number: angle of the bends' planes to
        that plane, degrees.
    file, file_canal, file_size_mm, file_taper, tip_angle_deg, tip_short_mm
        A steel hand file on the centre line of canal `file_canal` (index), its tip so far short of the foramen. Level "real"
        draws whether there are any where `file` is None, the others have one; of several the figures are the first one's.
    filling
        Root fillings: how far short of its canal's foramen each ends, mm; one number for every canal, or a row of one a canal,
        None in a canal that stays empty; None for no filling at all. The access is closed. No file stands in a filled canal.
    filling_size_mm, filling_taper
        Diameter to which a filled canal was shaped where its filling ends, and its rise per mm.
    stop_in_view
        True: the first file's stop lies inside the image; False: its face lies outside; None: as the film comes, on the older
        levels inside.
    restoration, clamp, neighbours
        A filling, a rubber dam clamp, teeth on either side.
    cap
        An artificial crown, in place of any filling: "metal", "veneered" (ceramic over metal), True for either, False, or a
        share of the films; None for the level's share, which a filling that was asked for goes before.
    upper
        True: crown down, roots up.
    tilt_deg
        Vertical and horizontal angulation, degrees.
    technique
        "paralleling", "bisecting" or "square" (detector square to the central ray).
    source_detector_mm, object_detector_mm
        Distances along the central ray.
    size_px, spacing_mm
        Rows and columns of the image; distance of pixel centres between rows and between columns.
    sideways
        The film lies on its side.
    photons, blur_mm, bits, tone
        See `Detector`.
    scatter
        Scattered radiation over the primary, 0 to 1 (a veil that lowers contrast); None for what the level draws.
    texture
        Standard deviation of attenuation that bone texture adds.
    kind, lumen, files, include, leave_out, picture, exposed_twice
        Level "real" alone: the kind of the tooth in hand (`kinds.KINDS`), how its canals are (`kinds.LUMENS`), how many files
        stand in it (0 to 4), rare things that are to be there, in the tooth in hand or beside it (`RARE`), and things that are
        never drawn (`THINGS`): a row of names each. `picture` is one of `PICTURES`: a "bitewing" shows the crowns of both
        jaws, a "panoramic" one is a part of a picture of both jaws on pixels of a tenth of a millimetre and more; files stand
        in neither unless they are asked for. One that was `exposed_twice` shows another mouth too, at half the strength each;
        its truth is the first exposure's. The level knows no `shape`, `ramp_mm`, `out_of_plane` and `texture`.
    jpeg_quality
        1 to 100: the image goes through JPEG, which takes 8 bits.

    Raises PhantomError for a value out of its range; roots, canals, shape, tone and bits are checked where they are used.
    """

    roots: int | None = None
    canals: int | None = None
    shape: str | None = None
    ramp_mm: float = 0.0
    confluent: bool | float | None = None
    out_of_plane: bool | float = True
    file: bool | None = None
    file_canal: int | None = None
    file_size_mm: float | None = None
    file_taper: float = 0.02
    tip_angle_deg: float | None = None
    tip_short_mm: float | None = None
    filling: float | tuple[float | None, ...] | None = None
    filling_size_mm: float = 0.30
    filling_taper: float = 0.04
    stop_in_view: bool | None = None
    restoration: bool | None = None
    clamp: bool | None = None
    cap: bool | float | str | None = None
    neighbours: bool = True
    upper: bool | None = None
    tilt_deg: tuple[float, float] | None = None
    technique: str | None = None
    source_detector_mm: float | None = None
    object_detector_mm: float | None = None
    size_px: tuple[int, int] | None = None
    spacing_mm: tuple[float, float] | None = None
    sideways: bool = False
    photons: float | None = None
    scatter: float | None = None
    texture: float | None = None
    blur_mm: float | None = None
    bits: int | None = None
    tone: str | None = None
    jpeg_quality: int | None = None
    kind: str | None = None
    lumen: str | None = None
    files: int | None = None
    include: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    picture: str = "periapical"
    exposed_twice: bool = False

    def __attrs_post_init__(self) -> None:
        if not isinstance(self.out_of_plane, bool):
            check_finite(PhantomError, "out_of_plane", self.out_of_plane)
        for name in ("tilt_deg", "spacing_mm", "size_px"):
            pair = getattr(self, name)
            if pair is None:
                continue
            if not isinstance(pair, (tuple, list)) or len(pair) != 2:
                raise PhantomError(f"{name} must be two numbers: {pair!r}")
            for value in pair:
                (check_finite if name == "tilt_deg" else check_positive)(PhantomError, name, value)
        if self.tilt_deg is not None and max(abs(v) for v in self.tilt_deg) > MOST_TILT_DEG:
            raise PhantomError(f"tilt_deg must be at most {MOST_TILT_DEG:g} degrees in size: {self.tilt_deg}")
        if self.size_px is not None and (min(self.size_px) < 64 or max(self.size_px) > MOST_PIXELS):
            raise PhantomError(f"size_px must be 64 to {MOST_PIXELS} rows and columns: {self.size_px}")
        for name in ("source_detector_mm", "object_detector_mm", "photons"):
            if getattr(self, name) is not None:
                check_positive(PhantomError, name, getattr(self, name))
        if self.texture is not None and not check_finite(PhantomError, "texture", self.texture) >= 0.0:
            raise PhantomError(f"texture must be >= 0: {self.texture:g}")
        if not 0.0 <= check_finite(PhantomError, "ramp_mm", self.ramp_mm) <= MOST_RAMP_MM:
            raise PhantomError(f"ramp_mm must be 0 to {MOST_RAMP_MM:g}: {self.ramp_mm:g}")
        self._check_filling()
        self._check_things()
        if isinstance(self.cap, str) and self.cap not in CAPS:
            raise PhantomError(f"cap must be {', '.join(CAPS)}, true, false or a share: {self.cap!r}")
        if self.restoration and (self.cap is True or isinstance(self.cap, str)):
            raise PhantomError("restoration must be None or false under a cap: ask for one of them")
        for name in ("confluent", "cap", "scatter"):
            value = getattr(self, name)
            if value is None or (name != "scatter" and isinstance(value, bool)) or (value in CAPS and name == "cap"):
                continue
            if not 0.0 <= check_finite(PhantomError, name, value) <= 1.0:
                raise PhantomError(f"{name} must be 0 to 1: {value:g}")

    def _check_things(self) -> None:
        for name, known in (("include", RARE), ("leave_out", THINGS)):
            row = getattr(self, name)
            if not isinstance(row, (tuple, list)):
                raise PhantomError(f"{name} must be a row of names: {row!r}")
            for thing in row:
                if thing not in known:
                    raise PhantomError(f"{name} must hold some of {', '.join(known)}: {thing!r}")
        both = sorted(set(self.include) & set(self.leave_out))
        if both:
            raise PhantomError(f"leave_out must hold nothing that include holds: {', '.join(both)}")
        if self.picture not in PICTURES:
            raise PhantomError(f"picture must be one of {', '.join(PICTURES)}: {self.picture!r}")
        if self.exposed_twice and self.picture != "periapical":
            raise PhantomError(f"exposed_twice must be false for a {self.picture} picture")
        if self.files is not None and (isinstance(self.files, bool) or self.files not in (0, 1, 2, 3, 4)):
            raise PhantomError(f"files must be 0 to 4: {self.files!r}")
        if self.files is not None and self.file is not None and self.file != (self.files > 0):
            raise PhantomError(f"file must go with files: {self.file}, {self.files}")

    def of_level(self, level: str, many: bool) -> Options:
        """These wishes with what the level settles.

        Raises PhantomError for a wish that the level does not know.
        """
        plain = Options()
        if many:
            for name in ("shape", "ramp_mm", "out_of_plane", "texture"):
                if getattr(self, name) != getattr(plain, name):
                    raise PhantomError(f"{name} must be left out at level {level}: it belongs to the older levels")
            return self
        for name in ("kind", "lumen", "files", "include", "leave_out", "picture", "exposed_twice"):
            if getattr(self, name) != getattr(plain, name):
                raise PhantomError(f'{name} must be left out at level {level}: it belongs to level "real"')
        return evolve(
            self,
            file=True if self.file is None else self.file,
            stop_in_view=True if self.stop_in_view is None else self.stop_in_view,
        )

    def _check_filling(self) -> None:
        for short in self.filling if isinstance(self.filling, (tuple, list)) else (self.filling,):
            if short is not None and not check_finite(PhantomError, "filling", short) >= 0.0:
                raise PhantomError(f"filling must be >= 0 mm short of the foramen: {short:g}")
        check_positive(PhantomError, "filling_size_mm", self.filling_size_mm)
        if not 0.0 <= check_finite(PhantomError, "filling_taper", self.filling_taper) <= MOST_FILLING_TAPER:
            raise PhantomError(f"filling_taper must be 0 to {MOST_FILLING_TAPER:g} mm per mm: {self.filling_taper:g}")


def wishes(options: dict[str, Any]) -> Options:
    """Options from a caller's words.

    Raises PhantomError for one that there is not, or out of its range.
    """
    known = [one.name for one in fields(Options)]
    for name in options:
        if name not in known:
            raise PhantomError(f"option must be one of {', '.join(known)}: {name!r}")
    return Options(**options)


CAPS = ("metal", "veneered")
FILLINGS = ("gutta-percha", "dense sealer", "paste", "silver", "old resin")
FAULTS = ("sound", "short", "voids", "over")
POSTS = ("cast post", "smooth post", "screw post", "fibre post")
CROWNS = ("metal", "veneered", "zirconia")
FILLERS = ("amalgam", "composite", "glass ionomer", "cement", "soft")
"""Root fillings and what is wrong with them, posts, artificial crowns, fillings in crowns ("soft" is a cavity)."""
RARE = ("implant", "wire", "cone", "broken instrument", "unerupted", "primary", "gap")
"""What few films of level "real" show; a "cone" is a gutta-percha point in a sinus tract."""
PICTURES = ("periapical", "bitewing", "panoramic")
THINGS = (
    *FILLINGS,
    *FAULTS[1:],
    *POSTS,
    *CROWNS,
    *FILLERS,
    "clamp",
    "pins",
    *RARE,
    *KINDS,
    *LUMENS,
    *PATTERNS,
    *CHAINS,
)
"""What level "real" may be told to leave out."""
MOST_FILLING_TAPER = 0.12
"""Largest taper of the instruments that canals are shaped with (from memory)."""
MOST_RAMP_MM = 5.0
"""Longest ramp, about half a canal; our parameter."""


MOST_TILT_DEG = 45.0
"""Largest angulation that is projected; beyond it a film shows no tooth. Our parameter."""
MOST_PIXELS = 4096
"""Most rows or columns; our parameter."""
