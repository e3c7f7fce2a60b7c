"""Damage to DICOM files that knows their structure: pure functions of a tree of elements and a random generator."""

from __future__ import annotations

import copy
import pickle
import struct
import zlib
from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np

from tests.fuzz.elements import UNDEFINED, Element, File, find, put, write

Rng = np.random.Generator
Damage = Callable[[File, Rng], None]

VRS = [
    vr.encode()
    for vr in [
        "AE",
        "AS",
        "AT",
        "CS",
        "DA",
        "DS",
        "DT",
        "FL",
        "FD",
        "IS",
        "LO",
        "LT",
        "OB",
        "OD",
        "OF",
        "OL",
        "OV",
        "OW",
        "PN",
        "SH",
        "SL",
        "SQ",
        "SS",
        "ST",
        "SV",
        "TM",
        "UC",
        "UI",
        "UL",
        "UN",
        "UR",
        "US",
        "UT",
        "UV",
        "??",
        "zz",
    ]
]
LENGTHS = (0, 1, 3, 7, 255, 65534, 65535, 65536, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, UNDEFINED)
NUMBERS = [
    text.encode()
    for text in (
        "NaN",
        "inf",
        "-inf",
        "1e400",
        "-1e400",
        "1e-400",
        "",
        " ",
        "0",
        "-1",
        "-0.0",
        "1,5",
        "0x10",
        "1_0",
        "9" * 40,
        "9" * 5000,
        "1e",
        "\u0661",
        "abc",
        "1\\2\\3",
        "\\",
        "\\\\\\",
        "\0",
        "1\0002",
    )
]
WORDS = [
    text.encode("utf-8")
    for text in (
        "",
        " ",
        "\0" * 8,
        "=1+1",
        "<script>alert(1)</script>",
        "\x1b]0;owned\x07",
        "\u202egnp.exe",
        "../../etc/passwd",
        "a\\b\\c",
        "^^^^^^",
        "=====",
        "\x1b$B",
        "A" * 70_000,
    )
] + [b"\xff\xfe", b"\x80\x81\x82", b"\xc3"]
CHARSETS = (
    b"ISO_IR 192",
    b"ISO_IR 13",
    b"ISO 2022 IR 87\\ISO 2022 IR 159",
    b"\\ISO 2022 IR 149",
    b"GB18030",
    b"nonsense",
    b"",
    b"utf_7",
    b"idna",
    b"zlib",
    b"rot13",
    b"\\\\\\\\",
)
SYNTAXES = [
    b"1.2.840.10008.1.2" + end
    for end in (
        b"",
        b".1",
        b".1.99",
        b".2",
        b".5",
        b".1.98",
        b".4.50",
        b".4.51",
        b".4.57",
        b".4.70",
        b".4.80",
        b".4.81",
        b".4.90",
        b".4.91",
        b".4.100",
        b".4.102",
        b".4.110",
        b".4.201",
        b".4.94",
        b".6.1",
    )
] + [b"1.2.3", b"", b"1.2.840.113619.5.2", b"x" * 64, b"1.2.840.10008.5.1.4.1.1.7"]
PIXEL_DATA = (0x7FE0, 0x0010)
COUNTS = {
    (0x0028, 0x0010): b"US",
    (0x0028, 0x0011): b"US",
    (0x0028, 0x0002): b"US",
    (0x0028, 0x0100): b"US",
    (0x0028, 0x0101): b"US",
    (0x0028, 0x0102): b"US",
    (0x0028, 0x0103): b"US",
    (0x0028, 0x0006): b"US",
    (0x0028, 0x0008): b"IS",
}
DECIMALS = (
    (0x0028, 0x0030),
    (0x0018, 0x1164),
    (0x0018, 0x2010),
    (0x0028, 0x0034),
    (0x0028, 0x1050),
    (0x0028, 0x1051),
    (0x0028, 0x1052),
    (0x0028, 0x1053),
    (0x0018, 0x1114),
    (0x0028, 0x1041),
)
CODED = (
    (0x0028, 0x0004),
    (0x2050, 0x0020),
    (0x0028, 0x1056),
    (0x0028, 0x0A02),
    (0x0008, 0x0016),
    (0x0008, 0x0018),
    (0x0020, 0x000D),
    (0x0008, 0x2218),
)


def pick(rng: Rng, values: object) -> object:
    """One of a sequence, as it is (numpy would turn it into an array of its own)."""
    return values[int(rng.integers(len(values)))]


def _place(file: File, rng: Rng) -> list[Element]:
    """A data set of the file that is not empty: the top one half the time."""
    full = [dataset for dataset in file.datasets() if dataset]
    return full[0] if rng.random() < 0.5 or not full else pick(rng, full)


def _element(file: File, rng: Rng) -> Element:
    return pick(rng, _place(file, rng))


def swap(file: File, rng: Rng) -> None:
    place = _place(file, rng)
    a, b = rng.integers(len(place), size=2)
    place[a], place[b] = place[b], place[a]


def duplicate(file: File, rng: Rng) -> None:
    place = _place(file, rng)
    at = int(rng.integers(len(place)))
    place[at:at] = [copy.deepcopy(place[at]) for _ in range(int(rng.integers(1, 4)))]


def delete(file: File, rng: Rng) -> None:
    place = _place(file, rng)
    del place[int(rng.integers(len(place)))]


def move_inside(file: File, rng: Rng) -> None:
    """An element of one item in another."""
    pick(rng, file.datasets()).insert(0, copy.deepcopy(_element(file, rng)))


def change_tag(file: File, rng: Rng) -> None:
    element = _element(file, rng)
    odd = (
        (0, 0),
        (0xFFFE, 0xE000),
        (0xFFFE, 0xE0DD),
        (0xFFFE, 0xE00D),
        (0x6000, 0x3000),
        (0x0099, 0x0010),
        (0x0099, 0x1001),
    )
    element.tag = pick(rng, (*odd, tuple(int(v) for v in rng.integers(0, 65536, 2)), PIXEL_DATA, (0x0040, 0xA730)))


def change_vr(file: File, rng: Rng) -> None:
    _element(file, rng).vr = pick(rng, VRS)


def lie_of_length(file: File, rng: Rng) -> None:
    element = _element(file, rng)
    true = len(element.value)
    element.length = pick(rng, (*LENGTHS, true - 1, true + 1, true + 2, true // 2, 2 * true))


def lie_of_items(file: File, rng: Rng) -> None:
    with_items = [e for d in file.datasets() for e in d if e.items is not None or e.fragments is not None]
    if not with_items:
        return nest(file, rng)
    element: Element = pick(rng, with_items)
    element.undefined = bool(rng.random() < 0.5)
    element.closed = bool(rng.random() < 0.5)
    element.item_length = pick(rng, (*LENGTHS, None))
    return None


def nest(file: File, rng: Rng) -> None:
    """Sequences in sequences, up to far beyond what a recursion holds."""
    depth = int(pick(rng, (2, 10, 60, 150, 400, 3000)))
    tag = pick(rng, ((0x0040, 0xA730), (0x0008, 0x1140), (0x0008, 0x2218), (0x0040, 0xA043), (0x0099, 0x1001)))
    undefined = bool(rng.random() < 0.6)
    if depth > 150:  # written by hand, since the writer recurses as well
        vr = b"SQ\0\0" if file.explicit else b""
        head = struct.pack("<HH", *tag) + vr
        item = struct.pack("<HHI", 0xFFFE, 0xE000, UNDEFINED)
        file.tail = (head + struct.pack("<I", UNDEFINED) + item) * depth
        return
    inner: list[Element] = [Element((0x0008, 0x0100), b"SH", b"113100")]
    for _ in range(depth):
        inner = [Element(tag, b"SQ", items=[inner], undefined=undefined)]
    place = _place(file, rng)
    found = find(place, tag)
    if found is not None:
        place.remove(found)
    place.append(inner[0])


def change_value(file: File, rng: Rng) -> None:
    element = _element(file, rng)
    element.value, element.items, element.fragments = (
        pick(rng, (*NUMBERS, *WORDS, rng.bytes(int(rng.integers(1, 40))))),
        None,
        None,
    )
    element.undefined = False


def flip_bits(file: File, rng: Rng) -> None:
    element = _element(file, rng)
    if element.value:
        value = bytearray(element.value)
        for _ in range(int(rng.integers(1, 4))):
            value[int(rng.integers(len(value)))] ^= 1 << int(rng.integers(8))
        element.value = bytes(value)


def wrong_count(file: File, rng: Rng) -> None:
    """Rows, columns, frames, samples, bits: none, huge, negative, text, several."""
    tag = pick(rng, tuple(COUNTS))
    if tag == (0x0028, 0x0008):
        value = pick(rng, (b"0", b"-1", b"2", b"1000000", b"2147483647", b"9" * 30, b"1.5", b"1\\2", b"", b"one"))
    else:
        value = pick(
            rng,
            (
                b"",
                b"\0",
                *(struct.pack("<H", n) for n in (0, 1, 2, 7, 8, 12, 15, 16, 17, 32, 64, 65535, 30000)),
                b"\1\0\2\0",
            ),
        )
    put(file.body, tag, COUNTS[tag], value)


def wrong_size(file: File, rng: Rng) -> None:
    """A picture far larger than its data, in both directions."""
    rows, cols = pick(rng, ((65535, 65535), (65535, 3000), (14000, 14000), (1, 65535), (65535, 1), (9000, 10000)))
    put(file.body, (0x0028, 0x0010), b"US", struct.pack("<H", rows))
    put(file.body, (0x0028, 0x0011), b"US", struct.pack("<H", cols))


def wrong_number(file: File, rng: Rng) -> None:
    tag = pick(rng, DECIMALS)
    value = b"\\".join(pick(rng, NUMBERS) for _ in range(int(pick(rng, (1, 2, 2, 3, 40)))))
    put(file.body, tag, b"DS", value)


def many_values(file: File, rng: Rng) -> None:
    """Hundreds of thousands of values where one or two belong."""
    tag, vr = pick(
        rng,
        (
            ((0x0028, 0x1050), b"UT"),
            ((0x0028, 0x0030), b"UT"),
            ((0x0008, 0x0008), b"UC"),
            ((0x0028, 0x0010), b"UN"),
            ((0x0070, 0x0022), b"OF"),
            ((0x0028, 0x1050), b"DS"),
            ((0x0040, 0xA30A), b"DS"),
        ),
    )
    put(file.body, tag, vr, b"1\\" * int(pick(rng, (30_000, 400_000, 1_500_000))) + b"1 ")


def many_elements(file: File, rng: Rng) -> None:
    """Very many small elements, at the top or as items."""
    count = int(pick(rng, (1000, 20_000, 150_000)))
    if rng.random() < 0.5:
        head = (
            (lambda k: struct.pack("<HHI", 0x0009 + 2 * (k >> 16), k & 0xFFFF, 0))
            if not file.explicit
            else (lambda k: struct.pack("<HH2sH", 0x0009 + 2 * (k >> 16), k & 0xFFFF, b"LO", 0))
        )
        file.tail = b"".join(head(k) for k in range(count))
    else:
        sequence = Element(
            (0x0008, 0x1140), b"SQ", items=[[] for _ in range(count)], undefined=bool(rng.random() < 0.5)
        )
        old = find(file.body, sequence.tag)
        if old is not None:
            file.body.remove(old)
        file.body.append(sequence)


def wrong_word(file: File, rng: Rng) -> None:
    put(
        file.body,
        pick(rng, CODED),
        b"CS",
        pick(rng, (*WORDS, b"RGB", b"PALETTE COLOR", b"MONOCHROME1", b"YBR_FULL", b"IDENTITY", b"INVERSE", b"SIGMOID")),
    )


def charset(file: File, rng: Rng) -> None:
    put(file.body, (0x0008, 0x0005), b"CS", pick(rng, CHARSETS))
    for tag in ((0x0010, 0x0010), (0x0028, 0x0A04), (0x0008, 0x1030)):
        put(file.body, tag, b"PN" if tag[0] == 0x10 else b"LO", pick(rng, (*WORDS, rng.bytes(24))))


def look_up_table(file: File, rng: Rng) -> None:
    """Modality, VOI and palette tables whose descriptors lie."""
    entries, first, bits = pick(
        rng, ((0, 0, 16), (4, 0, 16), (65535, 65535, 8), (4, 0, 0), (4, 0, 65535), (3, 60000, 12))
    )
    item = [
        Element(
            (0x0028, 0x3002),
            pick(rng, (b"US", b"SS", b"UN")),
            struct.pack("<HHH", entries, first, bits)[: int(pick(rng, (6, 6, 4, 2, 0)))],
        ),
        Element((0x0028, 0x3004), b"LO", pick(rng, WORDS)),
        Element(
            (0x0028, 0x3006), pick(rng, (b"US", b"OW", b"SS", b"LO")), rng.bytes(int(pick(rng, (0, 2, 7, 8, 60_000))))
        ),
    ]
    tag = pick(rng, ((0x0028, 0x3000), (0x0028, 0x3010), (0x2050, 0x0010)))
    put(file.body, tag, b"SQ", b"")
    found = find(file.body, tag)
    assert found is not None
    found.items = [item] * int(pick(rng, (0, 1, 1, 2)))


def wrong_syntax(file: File, rng: Rng) -> None:
    """A transfer syntax that the data are not in."""
    put(file.meta, (0x0002, 0x0010), b"UI", pick(rng, SYNTAXES))


def break_meta(file: File, rng: Rng) -> None:
    kind = int(rng.integers(6))
    if kind == 0:
        put(file.meta, (0x0002, 0x0000), b"UL", struct.pack("<I", int(pick(rng, (0, 1, 0xFFFFFFFF, 10_000)))))
    elif kind == 1:
        del file.meta[int(rng.integers(len(file.meta)))]
    elif kind == 2:
        file.meta.clear()
    elif kind == 3:
        file.preamble = pick(
            rng, (b"", b"DICM", b"II*\0" + b"\0" * 124 + b"DICM", b"\0" * 128 + b"DICN", rng.bytes(128) + b"DICM")
        )
    else:
        if not file.meta:
            return
        element: Element = pick(rng, file.meta)
        if rng.random() < 0.5:
            element.length = pick(rng, LENGTHS)
        else:
            element.value = rng.bytes(int(rng.integers(0, 80)))


def wrong_encoding(file: File, rng: Rng) -> None:
    """The data set written in another encoding than the syntax says."""
    file.explicit, file.little = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
    file.deflated = bool(rng.random() < 0.2)


def break_encapsulation(file: File, rng: Rng) -> None:
    element = find(file.body, PIXEL_DATA)
    if element is None:
        return wrong_syntax(file, rng)
    if element.fragments is None:
        # Plain data claimed to be encapsulated.
        element.fragments, element.undefined = [b"", element.value or b"\0\0"], True
        put(file.meta, (0x0002, 0x0010), b"UI", pick(rng, SYNTAXES[4:18]))
    parts = element.fragments
    for _ in range(int(rng.integers(1, 3))):
        kind = int(rng.integers(11))
        if kind == 0:  # an offset table that lies
            parts[0:1] = [struct.pack("<" + "I" * 3, *(int(v) for v in rng.integers(0, 2**32, 3)))]
        elif kind == 1:
            element.closed = False
        elif kind == 2:
            element.item_length = pick(rng, LENGTHS)
        elif kind == 3:
            parts += [b"\0\0"] * int(pick(rng, (1, 5000, 100_000)))
        elif kind == 4:
            del parts[int(rng.integers(len(parts))) :]
            parts[:0] = [] if parts else [b""]
        elif kind == 5:
            k = int(rng.integers(len(parts)))
            parts[k] = parts[k][: int(rng.integers(len(parts[k]) + 1))]
        elif kind == 6:
            k = len(parts) - 1
            torn = bytearray(parts[k])
            for _ in range(int(rng.integers(1, 8))):
                if torn:
                    torn[int(rng.integers(min(len(torn), 200)))] = int(rng.integers(256))
            parts[k] = bytes(torn)
        elif kind in (7, 8):
            parts[-1:] = [_other_size(parts[-1], rng)] if parts else []
        elif kind == 9:
            parts += parts[1:]
        else:
            element.undefined, element.length = False, pick(rng, (*LENGTHS, None))
    return None


def _other_size(stream: bytes, rng: Rng) -> bytes:
    """A JPEG, JPEG-LS or JPEG 2000 stream that says it holds a picture of another size (T.81 B.2.2, T.87, T.800 A.5.1)."""
    data = bytearray(stream)
    rows, cols = pick(rng, ((65535, 65535), (8000, 8000), (60_000, 3000), (1, 1), (0, 0), (481, 300), (479, 301)))
    at = data.find(b"\xff\x51")
    if 0 <= at < 8 and len(data) > at + 14:
        struct.pack_into(">II", data, at + 6, cols * int(pick(rng, (1, 1, 60_000))), rows)
    else:
        for marker in (b"\xff\xc3", b"\xff\xf7", b"\xff\xc0"):
            at = data.find(marker)
            if at >= 0 and len(data) > at + 9:
                struct.pack_into(">HH", data, at + 5, rows, cols)
                break
    return bytes(data)


def run_length_bomb(file: File, rng: Rng) -> None:
    """A large picture out of a few bytes a row, in RLE (PS3.5 annex G)."""
    rows = cols = int(pick(rng, (2000, 9000, 20_000)))
    put(file.body, (0x0028, 0x0010), b"US", struct.pack("<H", rows))
    put(file.body, (0x0028, 0x0011), b"US", struct.pack("<H", cols))
    put(file.meta, (0x0002, 0x0010), b"UI", b"1.2.840.10008.1.2.5\0")
    segment = b"\x81\x07" * min(rows * cols // 128 + 1, 700_000)
    head = struct.pack("<16I", 2, 64, 64 + len(segment), *[0] * 13)
    pixels = put(file.body, PIXEL_DATA, b"OB", b"")
    pixels.fragments, pixels.undefined = [b"", head + segment + segment], True
    file.explicit = file.little = True


def deflate_bomb(file: File, rng: Rng) -> None:
    put(file.meta, (0x0002, 0x0010), b"UI", b"1.2.840.10008.1.2.1.99")
    size = int(pick(rng, (10_000_000, 150_000_000, 400_000_000)))
    file.explicit = file.little = file.deflated = True
    put(file.body, PIXEL_DATA, b"OW", b"\0" * 64).length = size
    file.tail = b"BOMB" + struct.pack("<I", size)


def case_inside(file: File, rng: Rng) -> None:
    """The private element with the case of a report: emptied, doubled, of another form."""
    for dataset in file.datasets():
        element = find(dataset, (0x0099, 0x1001))
        if element is not None:
            text = element.value.decode("utf-8", "replace")
            at = int(rng.integers(len(text) + 1))
            changes = (
                text[:at],
                text[:at] + "[" * 5000,
                text.replace('"46"', "46"),
                text.replace("path_px", "path"),
                "",
                "null",
                "[]",
                text.replace(":", ": NaN,", 1),
                text.replace("1", "9" * int(pick(rng, (3, 30, 400)))),
                '{"schema": "wlmeasure-case/2"}',
                "\ufeff" + text,
                text + text,
            )
            element.value = str(pick(rng, changes)).encode()[:2_000_000]
            return
    delete(file, rng)


def graphic_data(file: File, rng: Rng) -> None:
    """Coordinates and numbers of a report: none, odd, not finite, huge, very many."""
    found = [e for d in file.datasets() for e in d if e.tag in ((0x0070, 0x0022), (0x0040, 0xA30A), (0x0040, 0xA161))]
    if not found:
        return wrong_number(file, rng)
    element: Element = pick(rng, found)
    if element.tag == (0x0040, 0xA30A):
        element.value = pick(rng, NUMBERS)
    elif element.tag == (0x0040, 0xA161):
        element.value = struct.pack("<d", float(pick(rng, ("nan", "inf", "-inf", "1e308", "0", "-1"))))
    else:
        numbers = np.asarray(
            [
                float(pick(rng, ("nan", "inf", "-inf", "1e30", "0", "-5", "70000")))
                for _ in range(int(rng.integers(0, 9)))
            ],
            "<f4",
        )
        element.value = pick(
            rng, (numbers.tobytes(), element.value[:-4], element.value[:4], b"", element.value[:7], element.value * 8)
        )
    return None


DAMAGES: tuple[Damage, ...] = (
    *(swap, duplicate, delete, move_inside, change_tag, change_vr, lie_of_length, lie_of_items, nest, change_value),
    *(flip_bits, wrong_count, wrong_number, wrong_word, charset, look_up_table),
    *(wrong_syntax, break_meta, wrong_encoding, break_encapsulation, break_encapsulation, break_encapsulation),
)
BOMBS: tuple[Damage, ...] = (many_values, many_elements, wrong_size, run_length_bomb, deflate_bomb)
"""A hundred times the work of another file, and not a hundred times as much to find."""
OF_REPORTS: tuple[Damage, ...] = (case_inside, graphic_data)
MILD: tuple[Damage, ...] = (
    delete,
    change_vr,
    change_value,
    flip_bits,
    wrong_number,
    wrong_word,
    charset,
    look_up_table,
)
"""Damage that often leaves a file that opens, so that what comes behind the reading is reached."""


@lru_cache(maxsize=200)
def _pickled(seed: File) -> bytes:
    return pickle.dumps(seed)


def damaged(seed: File, rng: Rng, *, report: bool = False) -> bytes:
    """The bytes of one damaged file."""
    file = pickle.loads(_pickled(seed))  # five times as fast as a deep copy
    kinds = (*DAMAGES, *OF_REPORTS * 4) if report else DAMAGES
    if rng.random() < 0.35:
        kinds = (*MILD, *OF_REPORTS * 2) if report else MILD
    for _ in range(int(pick(rng, (1, 1, 1, 2, 3)))):
        pick(rng, kinds)(file, rng)
    if rng.random() < 0.04:
        pick(rng, BOMBS)(file, rng)
    content = written(file)
    if rng.random() < 0.1:
        content = content[: int(rng.integers(len(content) + 1))]
    elif rng.random() < 0.05:
        content = torn(content, rng)
    return content


def written(file: File) -> bytes:
    """The file as bytes; its meta group length is the true one unless it was made to lie."""
    body = write(file.body, explicit=file.explicit, little=file.little)
    zeros = 0
    if file.tail.startswith(b"BOMB"):
        (zeros,) = struct.unpack("<I", file.tail[4:])
    else:
        body += file.tail
    if file.deflated:
        body = packed(body, zeros)
    meta = [element for element in file.meta if element.tag != (0x0002, 0x0000)]
    length = find(file.meta, (0x0002, 0x0000))
    rest = write(meta)
    if length is not None and length.value == LENGTH_AS_IT_IS:
        length = Element(length.tag, b"UL", struct.pack("<I", len(rest)))
    return file.preamble + (write([length]) if length is not None else b"") + rest + body


@cache
def _million_zeros() -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packer.compress(b"\0" * 1_000_000) + packer.flush(zlib.Z_FULL_FLUSH)


def packed(body: bytes, zeros: int = 0) -> bytes:
    """Deflated bytes (RFC 1951) with so many million zeros behind them, whose block is compressed only once."""
    packer = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    begin = packer.compress(body) + packer.flush(zlib.Z_FULL_FLUSH)
    return begin + _million_zeros() * (zeros // 1_000_000) + packer.flush()


def packed_zeros(millions: int) -> bytes:
    """So many million zeros as a zlib stream (RFC 1950), its checksum right."""
    return b"\x78\x01" + packed(b"", millions * 1_000_000) + struct.pack(">I", _checksum(millions))


@cache
def _checksum(millions: int) -> int:
    # Adler-32 of zeros: the first sum stays 1, the second counts the bytes.
    return (millions * 1_000_000 % 65521) << 16 | 1


LENGTH_AS_IT_IS = b"true"
"""Value of the meta group length that stands for the true one."""


def torn(content: bytes, rng: Rng) -> bytes:
    """Any file with some bytes overwritten, a part cut out or a part doubled."""
    data = bytearray(content)
    if not data:
        return b""
    a, b = sorted(int(v) for v in rng.integers(len(data), size=2))
    kind = int(rng.integers(4))
    if kind == 0:
        del data[a:b]
    elif kind == 1:
        data[a:a] = data[a : min(b, a + 4096)]
    else:
        end = len(data) if rng.random() < 0.3 else min(len(data), 600)
        for _ in range(int(rng.integers(1, 12))):
            data[int(rng.integers(end))] = int(rng.integers(256))
    return bytes(data)
