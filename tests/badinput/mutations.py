"""Ways to spoil files: bytes, JSON, TOML, tables, pictures and films; some of them must be refused."""

import copy
import io
import json
import struct
import zlib

import cv2
import numpy as np
import PIL.Image

DEEP = 10_000
PATHS = (
    "../outside/taken.txt", "../../outside/taken.txt", "/etc/passwd", "..\\outside\\taken.txt", "C:\\taken.txt",
    "\\\\host\\share\\taken", "con", "nul.json", "a/../../outside/taken.txt", "taken\u0000.txt", ".", "..", "",
    "x" * 5000, "~/taken.txt", "$HOME/taken", "\udcff", "\x1b[2Jtaken", "file:///etc/passwd",
)  # fmt: skip
NUMBERS = (
    "NaN", "Infinity", "-Infinity", "1e308", "-1e308", "1e-320", "1e999", "0", "-0.0", "-1", "1",
    "9007199254740993", "1" * 400, "1" * 5000, "0.1", "3.9999999999999999",
)  # fmt: skip


def spoil_bytes(data, rng):  # noqa: PLR0911 # one return a way of spoiling
    """Cut, flip, repeat or fill bytes; what comes out may by chance still be whole."""
    kind = int(rng.integers(9))
    cut = int(rng.integers(len(data) + 1))
    if kind == 0:
        return data[:cut]
    if kind == 1:
        spoilt = bytearray(data)
        for at in rng.integers(len(data), size=int(rng.integers(1, 40))) if data else ():
            spoilt[at] = int(rng.integers(256))
        return bytes(spoilt)
    if kind == 2:
        return data[:cut] + rng.bytes(int(rng.integers(1, 3000))) + data[cut:]
    if kind == 3:
        return data[:cut] + bytes(len(data) - cut)
    if kind == 4:
        return data[cut:] + data[:cut]
    if kind == 5:
        return data + data[:cut]
    return (b"", rng.bytes(500), b"\xff\xfe" + data[:2000].decode("latin-1").encode("utf-16-le"))[kind - 6]


def spoil_json(text, rng):  # noqa: C901, PLR0911, PLR0912 # one branch a way of spoiling
    """Change one place of a JSON text; return it and whether reading it must be refused."""
    kind = int(rng.integers(16))
    if kind == 0:
        return spoil_bytes(text.encode(), rng), False
    tree = json.loads(text)
    if kind > 11:
        return _dumped(nearly_right(tree, rng)), False
    if kind == 1:
        tree["version"] = (0, 2, -1, 99, 1e308, "1", None, [1], True)[int(rng.integers(9))]
        return _dumped(tree), True
    if kind == 2:
        tree["format"] = ("rimgauge-passs", "", None, 7, "rimgauge-lens", {"a": 1})[int(rng.integers(6))]
        return _dumped(tree), True
    above, step = _place(tree, rng)
    if kind == 3:
        del above[step]
        return _dumped(tree), False
    if kind == 4:
        above[step] = "PUT-HERE"
        mark = "[" if rng.random() < 0.5 else '{"a":'
        deep = mark * DEEP + "1" + ("]" if mark == "[" else "}") * DEEP
        return _dumped(tree).replace(b'"PUT-HERE"', deep.encode()), True
    if kind == 5:
        above[step] = "PUT-HERE"
        number = NUMBERS[int(rng.integers(len(NUMBERS)))]
        return _dumped(tree).replace(b'"PUT-HERE"', number.encode()), False
    if kind == 6:
        above[step] = PATHS[int(rng.integers(len(PATHS)))]
    elif kind == 7:
        other, there = _place(tree, rng)
        above[step] = copy.deepcopy(other[there])
    elif kind == 8 and isinstance(above[step], list) and above[step]:
        above[step] = above[step] * int(rng.integers(2, 6)) if rng.random() < 0.6 else []
    elif kind == 9 and isinstance(above[step], list):
        above[step] = above[step][: int(rng.integers(len(above[step]) + 1))]
    elif kind == 10 and isinstance(above[step], int | float):
        above[step] = above[step] * float(rng.choice([-1.0, 0.0, 1e-9, 1e3, 1e9, 1e150]))
    else:
        above[step] = (None, True, False, [], {}, "", "x", 0, [[]], {"": None})[int(rng.integers(10))]
    return _dumped(tree), False


def nearly_right(tree, rng):
    """Change a number or two into another of the same kind, the sort of mistake that a reader may not see."""
    for _ in range(int(rng.integers(1, 4))):
        above, step = _place(tree, rng, numbers=True)
        value = above[step]
        if isinstance(value, int):
            above[step] = value + int(rng.choice([-100, -2, -1, 1, 2, 100, 5000]))
        else:
            above[step] = value * float(rng.choice([-1.0, 1e-3, 0.5, 0.99, 1.001, 2.0, 10.0, 1e4])) + 1e-9
    return tree


def spoil_toml(text, rng):
    """Change one value or line of a wheel file; return it and whether reading it must be refused."""
    kind = int(rng.integers(8))
    lines = text.splitlines()
    if kind == 0:
        return spoil_bytes(text.encode(), rng), False
    at = int(rng.choice([k for k, line in enumerate(lines) if "=" in line]))
    name = lines[at].split("=")[0]
    if kind == 1:
        lines[at] = f"{name}= " + "[" * DEEP + "]" * DEEP
        return "\n".join(lines).encode(), True
    if kind == 2:
        lines.insert(at, lines[at])
        return "\n".join(lines).encode(), True
    if kind == 3:
        del lines[at]
    elif kind == 4:
        lines[at] = f"{name}= {json.dumps(PATHS[int(rng.integers(len(PATHS)))])}"
    else:
        number = NUMBERS[int(rng.integers(len(NUMBERS)))]
        known = {"NaN": "nan", "Infinity": "inf", "-Infinity": "-inf"}
        lines[at] = f"{name}= {known.get(number, number)}"
        if number in known:
            return "\n".join(lines).encode(), True
    return "\n".join(lines).encode("utf-8", "surrogatepass"), False


def spoil_table(text, rng):
    """Change one cell, row or quote of a table; return it and whether reading it must be refused."""
    kind = int(rng.integers(10))
    if kind == 0:
        return spoil_bytes(text.encode(), rng), False
    rows = [line.split(",") for line in text.splitlines()]
    at = int(rng.integers(1, len(rows)))
    column = int(rng.integers(len(rows[at])))
    refuse = False
    if kind == 1:
        rows[at][column], refuse = "9" * 200_000, True
    elif kind == 2:
        rows[at][column] = '"' + rows[at][column]
    elif kind == 3:
        rows[at].append("7")
    elif kind == 4:
        rows[at] = rows[int(rng.integers(len(rows)))]
    elif kind == 5:
        del rows[at]
    elif kind == 6:
        rows[0][int(rng.integers(len(rows[0])))] = str(rng.choice(["spoke", "", "frame", "x" * 300, "=1+1"]))
    elif kind == 7:
        words = ("nan", "inf", "-inf", "1e999", "one", "\x00")
        rows[at][column], refuse = words[int(rng.integers(len(words)))], True
    else:
        rows[at][column] = NUMBERS[int(rng.integers(len(NUMBERS)))]
    return "\n".join(",".join(row) for row in rows).encode(), refuse


def spoil_picture(data, rng):  # noqa: PLR0911 # one return a way of spoiling
    """Make a picture that is cut, of another kind or a bomb; return it, an ending and whether it must be refused."""
    kind = int(rng.integers(11))
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if kind == 0:
        return data[: int(rng.integers(len(data) - 2))], ".jpg", True
    if kind == 1:
        return spoil_bytes(data, rng), ".jpg", False
    if kind == 2:
        tall, wide = ((1, 1), (1, 640), (360, 1), (2, 3))[int(rng.integers(4))]
        return _encoded(".png", image[:tall, :wide]), ".png", True
    if kind == 3:
        wide, tall = ((60_000, 60_000), (2**31 - 1, 2**31 - 1), (1_000_000, 300), (20_000, 20_000))[
            int(rng.integers(4))
        ]
        return png_of_zeros(wide, tall), ".png", True
    if kind == 4:
        return _encoded(".png", image.astype(np.uint16) * 257), ".png", False
    if kind == 5:
        return _encoded(".png", np.dstack([image, np.full(image.shape[:2], 99, np.uint8)])), ".png", False
    if kind == 6:
        return _encoded(".tif", image.astype(np.float32) / 255.0), ".tif", False
    if kind == 7 and rng.random() < 0.5:
        return jpeg_header(*((65_500, 65_500), (640, 360))[int(rng.integers(2))], inks=4), ".jpg", True
    if kind == 7:
        whole = io.BytesIO()
        PIL.Image.fromarray(image[..., ::-1].copy()).convert("CMYK").save(whole, "jpeg", quality=90)
        return whole.getvalue(), ".jpg", False
    if kind == 8:
        return gif_of_two_pictures(), str(rng.choice([".png", ".jpg"])), True
    if kind == 9:
        png = _encoded(".png", image)
        return png[: int(rng.integers(len(png) - 12))], ".png", True
    return _encoded(".png", cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)), ".png", False


def spoil_film(data, rng):
    """Cut or spoil a film, or give another kind of file its name; return it and whether it must be refused."""
    kind = int(rng.integers(6))
    if kind == 0:
        return data[: int(rng.integers(len(data)))], False
    if kind == 1:
        return data[: int(rng.integers(400))], True
    if kind == 2:
        return (b"", b"RIFF", b"\x00\x00\x00\x18ftypmp42", b"spoke,lateral_mm\n", b"{}", bytes(9000))[
            int(rng.integers(6))
        ], True
    if kind == 3:
        return b"\x89PNG\r\n\x1a\n" + rng.bytes(400), True
    return spoil_bytes(data, rng), False


def png_of_zeros(wide, tall):
    """Return a small PNG whose header promises so many pixels; a thousandth of them are there."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = zlib.compress(bytes(min((wide + 1) * (tall // 1000 + 1), 4_000_000)))
    header = struct.pack(">IIBBBBB", wide, tall, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def jpeg_header(wide, tall, *, inks):
    """Return the beginning of a JPEG of so many inks (4: cyan, magenta, yellow, black) without its pixels."""
    body = struct.pack(">BHHB", 8, tall, wide, inks) + b"".join(bytes([k + 1, 0x11, 0]) for k in range(inks))
    return b"\xff\xd8\xff\xc0" + struct.pack(">H", len(body) + 2) + body + b"\xff\xd9"


def gif_of_two_pictures():
    """Return an animated GIF, one pixel large."""
    picture = b"\x2c\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02\x44\x01\x00"
    return b"GIF89a\x01\x00\x01\x00\x80\x00\x00\x00\x00\x00\xff\xff\xff" + picture + picture + b"\x3b"


def _encoded(ending, image):
    return cv2.imencode(ending, image)[1].tobytes()


def _dumped(tree):
    return json.dumps(tree, ensure_ascii=False).encode("utf-8", "surrogatepass")


def _place(tree, rng, *, numbers=False):
    """Choose a place of the tree: what holds it, and its name or number there; deep ones as likely as others."""

    def fits(value):
        return not numbers or (isinstance(value, int | float) and not isinstance(value, bool))

    places, queue = [], [tree]
    while queue:
        above = queue.pop()
        steps = list(above) if isinstance(above, dict) else list(range(len(above)))
        if len(steps) > 12 and isinstance(above, list):
            steps = steps[:6] + steps[-6:]
        places += [(above, step) for step in steps if fits(above[step])]
        queue += [above[step] for step in steps if isinstance(above[step], dict | list)]
    return places[int(rng.integers(len(places)))]
