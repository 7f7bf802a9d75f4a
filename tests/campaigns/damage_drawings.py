"""Damage that knows DXF and SVG."""

from __future__ import annotations

import random
import re
from functools import cache

from tests.campaigns.damage import Damage, damaged_bytes

__all__ = ["damaged_dxf", "damaged_svg", "rich_dxf"]

_NUMBERS = (
    "nan", "inf", "-inf", "1e308", "-1e308", "1e999", "1e12", "1e9", "-1e9", "0", "-0", "-1",
    "1e-320",
    "1e-9", "9" * 30, "9" * 400, "9" * 5000, "", " ", "x", "0x10", "1,5", "1.2.3", "١",
)  # fmt: skip


@cache
def rich_dxf() -> bytes:
    """A drawing with every sort of thing that other programs put into one."""
    import io

    import ezdxf

    doc = ezdxf.new("R2010", setup=True)
    doc.units = 4
    m = doc.modelspace()
    m.add_lwpolyline([(0, 0), (80, 0, 0, 0, 0.4), (80, 40), (0, 40)], close=True)
    m.add_circle((30, 20), 8)
    m.add_arc((100, 20), 15, 0, 200)
    m.add_ellipse((150, 20), (20, 0), 0.5)
    m.add_spline([(0, 60), (20, 80), (40, 60), (60, 80)])
    m.add_line((0, 100), (50, 100))
    m.add_text("label", height=5).set_placement((5, 110))
    m.add_mtext("two\\Plines")
    m.add_polyline2d([(0, 120), (20, 120), (20, 140)], close=True)
    hatch = m.add_hatch()
    hatch.paths.add_polyline_path([(100, 60), (120, 60), (120, 80)])
    block = doc.blocks.new("NUT")
    block.add_circle((0, 0), 5)
    m.add_blockref("NUT", (70, 70), dxfattribs={"xscale": 2, "rotation": 30})
    m.add_point((1, 1))
    m.add_solid([(0, 0), (1, 0), (0, 1), (1, 1)])
    out = io.StringIO()
    doc.write(out)
    return out.getvalue().encode()


def damaged_dxf(data: bytes, rng: random.Random) -> Damage:
    """Tags, values and structure of a DXF text changed."""
    if rng.random() < 0.25:
        return damaged_bytes(data, rng)
    source = rich_dxf() if rng.random() < 0.6 else data
    lines = source.decode("utf-8", errors="replace").splitlines()
    tags = [(lines[i], lines[i + 1]) for i in range(0, len(lines) - 1, 2)]
    start = next((i for i, t in enumerate(tags) if t[1].strip() == "ENTITIES"), 0)
    done = []
    for _ in range(rng.choice([1, 1, 2, 3, 10])):
        # where shapes stand, most often
        i = rng.randrange(start, len(tags)) if rng.random() < 0.8 else rng.randrange(len(tags))
        code, value = tags[i]
        match rng.randrange(9):
            case 0:
                del tags[i]
                done.append(f"tag {i} gone")
            case 1:
                tags.insert(i, tags[rng.randrange(len(tags))])
                done.append(f"a tag put in at {i}")
            case 2:
                tags[i] = (rng.choice(["-1", "999", "1071", "x", "10", "0", "5", "330"]), value)
                done.append(f"tag {i} has code {tags[i][0]}")
            case 3 if code.strip() == "0":
                name = rng.choice(
                    ["CIRCLE", "ARC", "SPLINE", "INSERT", "ENDSEC", "EOF", "LWPOLYLINE"]
                )
                tags[i] = (code, name)
                done.append(f"{value} called {name}")
            case 4:
                tags.insert(i, (rng.choice(["40", "41", "10", "70", "42"]), rng.choice(_NUMBERS)))
                done.append(f"a number at {i}")
            case 5:
                loop = [("0", "INSERT"), ("8", "0"), ("2", "NUT"), ("10", "0"), ("20", "0"),
                        ("30", "0"), ("70", rng.choice(["1", "30000"])), ("71", "30000"),
                        ("44", "1"), ("45", "1")]  # fmt: skip
                tags[i:i] = loop
                done.append(f"a block of many or of itself at {i}")
            case _:
                tags[i] = (code, rng.choice(_NUMBERS))
                done.append(f"tag {i} ({code.strip()}) = {tags[i][1][:30]}")
        if len(tags) < 3:
            break
    return "\n".join(f"{c}\n{v}" for c, v in tags).encode(), "; ".join(done)[:300]


# bounded, as a text of a hundred thousand letters would be tried from each of them on
_ATTRIBUTE = re.compile(r'\b([\w:-]{1,40})="([^"]*)"')
_PATHS = (
    "", "M", "M 0", "M 0 0", "L 5 5", "M 0 0 L", "z", "M 0 0 L 1e308 0 L 0 1e308 z",
    "M nan 0 L 1 1 z",
    "M 0 0 A 5 5", "M 0 0 A 0 0 0 0 0 5 5 z", "M 0 0 A 1e308 1 0 1 1 5 5 z", "M 0 0 Q 1 1",
    "M0 0 C",
    "M 0 0 L 1e12 0 L 1e12 1e12 z", "M0,0" + " l1,1" * 50_000 + "z", "M 0 0 a 5 5 0 2 9 1 1 z",
    "M 0 0 L 10 10 L 10 0 L 0 10 z", "M 0 0 h nan v inf z", "M 0 0 L 0 0 z", "X 3 4", "M 0 0 K 1",
    "M 1e9 1e9 a 1e9 1e9 0 1 0 1 1 z", "M 0 0 C 1e200 1e200 -1e200 1e200 5 5 z",
)  # fmt: skip
_TRANSFORMS = (
    "scale(0)", "scale(nan)", "scale(1e308)", "matrix(0 0 0 0 0 0)", "matrix(1 2 3)", "rotate(x)",
    "skewX(90)", "translate(inf)", "rotate(1e308)", "none", "scale(-1,1)", "translate(1e300,0)",
    "perspective(3)", "scale(1)" * 20_000, "rotate(45", "matrix(1e-300,0,0,1e-300,0,0)",
)  # fmt: skip
_ENTITIES = (
    '<!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {c} "{("&" + chr(ord(c) - 1) + ";") * 10}">' for c in "bcdefghij")
    + "]>"
)
_PIECES = (
    "<g>" * 5000, "<g>" * 300 + "</g>" * 300, "<svg>", '<use href="#p" id="p"/>', "<use/>",
    '<g id="q"><use href="#q"/></g>', '<image href="file:///etc/passwd"/>', "<!-- ", "<![CDATA[",
    '<rect width="nan" height="inf"/>', '<rect width="-5" height="5"/>', '<circle r="1e9"/>',
    '<circle r="-1"/>', '<ellipse rx="1e308" ry="1"/>', '<polygon points="1"/>',
    '<polygon points="a b c"/>', "<path/>", "<text>" + "x" * 100_000 + "</text>",
    "<script>1</script>",
    '<foreignObject/>', '<xi:include href="/etc/passwd"/>', "&a;", "&#0;", "\x00", "<path d='M0 0",
)  # fmt: skip


def damaged_svg(data: bytes, rng: random.Random) -> Damage:
    """Attributes, paths, transforms and structure of an SVG changed."""
    if rng.random() < 0.2:
        return damaged_bytes(data, rng)
    text = data.decode("utf-8", errors="replace")
    done = []
    for _ in range(rng.choice([1, 1, 2, 3])):
        attributes = list(_ATTRIBUTE.finditer(text))
        if not attributes:
            break
        at = rng.choice(attributes)
        head, tail = text[: at.start()], text[at.end() :]
        what = rng.randrange(10)
        if what == 0:
            text = head + tail
            done.append(f"{at[1]} gone")
        elif what == 1:
            text = f"{head}{at[0]} {at[0]}{tail}"
            done.append(f"{at[1]} twice")
        elif what == 2:
            closing = max(text.rfind("</svg"), 1)
            piece = rng.choice(_PIECES)
            text = text[:closing] + piece + text[closing:]
            done.append(f"{piece[:40]} put in")
        elif what == 3 and "<!DOCTYPE" not in text:
            begin = max(text.find("<svg"), 0)
            text = text[:begin] + _ENTITIES + text[begin:].replace("label", "&j;")
            done.append("entities that multiply")
        else:
            values = {"d": _PATHS, "transform": _TRANSFORMS}.get(at[1], _NUMBERS)
            value = rng.choice(values)
            if at[1] not in ("d", "transform") and rng.random() < 0.3:
                value += rng.choice(["mm", "in", "%", "em", "furlong", " 5 5 5"])
            text = f'{head}{at[1]}="{value}"{tail}'
            done.append(f"{at[1]} = {value[:50]}")
    return text.encode("utf-8", errors="replace"), "; ".join(done)[:300]
