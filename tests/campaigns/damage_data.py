"""Damage that knows JSON, TOML and CSV."""

from __future__ import annotations

import csv
import io
import json
import random
import re
from typing import Any

from tests.campaigns.damage import HOSTILE_TEXTS, Damage, damaged_bytes, hostile_text

__all__ = ["damaged_csv", "damaged_json", "damaged_toml"]

_RAW = (
    "null", "true", "false", "0", "-1", "1", "2", "0.5", "1e308", "-1e308", "1e999", "-1e999",
    "NaN", "Infinity", "-Infinity", "1e-320", "9" * 30, "9" * 400, "9" * 5000, "-" + "9" * 400,
    '""', '" "', '"a"', '"nan"', '"inf"', '"1e5"', '"T01"', '"../../evil"', '"/etc/passwd"',
    '"\\u0000"', '"\\ud800"', '"\\u001b[31m"', '"\\n"', '"' + "x" * 100_000 + '"', "[]", "{}",
    "[null]", "[[]]", "[1]", "[1, 2]", "[1, 2, 3]", '["a", "b"]', '{"a": 1}', "[{}]",
    "[" * 400 + "]" * 400, "[" * 3000 + "]" * 3000, '{"a":' * 2000 + "1" + "}" * 2000,
    "[" + "0, " * 50_000 + "0]", "[" + "[0, 0], " * 20_000 + "[0, 0]]", "[[0, 0], [0, 0], [0, 0]]",
    "[[0, 0], [1, 1]]", "[[0, 0], [10, 10], [10, 0], [0, 10]]", "[[0, 0], [10, 0], [NaN, 10]]",
    "[[0, 0], [1e308, 0], [0, 1e308]]", "[[0, 0], [10, 0], [0, 1e999]]", "[[0, 0, 0, 0, 0]]",
    '{"type": "Point", "coordinates": [0, 0]}', '{"type": "Polygon", "coordinates": []}',
    '{"type": "GeometryCollection", "geometries": []}', '{"type": "Polygon"}',
    '{"type": "MultiPolygon", "coordinates": [[[[0, 0], [1, 0], [0, 1], [0, 0]]]]}',
    '{"type": "Polygon", "coordinates": [[[0, 0], [9, 9], [9, 0], [0, 9], [0, 0]]]}',
)  # fmt: skip
_MARK = "@@{}@@"


def damaged_json(data: bytes, rng: random.Random) -> Damage:
    """A JSON document with one or a few things wrong; sometimes its bytes spoiled."""
    try:
        body = json.loads(data)
    except ValueError:
        return damaged_bytes(data, rng)
    if rng.random() < 0.25:
        return damaged_bytes(data, rng)
    raws: list[str] = []
    done = [_broken(body, rng, raws) for _ in range(rng.choice([1, 1, 1, 2, 4]))]
    text = json.dumps(body, ensure_ascii=False)
    for i, raw in enumerate(raws):
        text = text.replace(f'"{_MARK.format(i)}"', raw)
    if rng.random() < 0.1:
        text, more = _doubled_key(text, rng)
        done.append(more)
    return text.encode("utf-8", errors="surrogatepass"), "; ".join(done)


def _broken(body: Any, rng: random.Random, raws: list[str]) -> str:
    holder, key, path = _place(body, rng)
    if holder is None:
        return "nothing"
    value = holder[key]
    what = rng.randrange(10)
    if what < 5:
        raws.append(rng.choice(_RAW))
        holder[key] = _MARK.format(len(raws) - 1)
        return f"{path} = {raws[-1][:60]}"
    if what == 5 and isinstance(value, int | float) and not isinstance(value, bool):
        holder[key] = value * rng.choice([-1, 0, 10, 1e6, 1e-6, 1e300])
        return f"{path} = {holder[key]}"
    if what == 6:
        del holder[key]
        return f"{path} gone"
    if what == 7 and isinstance(holder, dict):
        holder[rng.choice(["", "extra", "__class__", str(key).upper(), "a" * 2000])] = value
        return f"a key beside {path}"
    if what == 8 and isinstance(value, list):
        holder[key] = (value * rng.choice([2, 100, 2000]))[:100_000] if value else [value]
        return f"{path} repeated to {len(holder[key])}"
    other, there, to = _place(body, rng)
    if other is None or other is value:
        return "nothing"
    holder[key], other[there] = json.loads(json.dumps(other[there])), json.loads(json.dumps(value))
    return f"{path} and {to} exchanged"


def _place(body: Any, rng: random.Random) -> tuple[Any, Any, str]:
    holder, key, path = None, None, ""
    at = body
    while isinstance(at, dict | list) and at and (holder is None or rng.random() < 0.75):
        holder = at
        key = rng.choice(list(at)) if isinstance(at, dict) else rng.randrange(len(at))
        path += f"/{key}"
        at = at[key]
    return holder, key, path[:120]


def _doubled_key(text: str, rng: random.Random) -> tuple[str, str]:
    keys = list(re.finditer(r'"(\w+)": ', text))
    if not keys:
        return text, "nothing"
    at = rng.choice(keys)
    return f"{text[: at.start()]}{at[0]}{rng.choice(_RAW[:10])}, {text[at.start() :]}", (
        f"{at[1]} twice"
    )


_TOML = (
    "inf", "-inf", "nan", "1e308", "-1e308", "1e999", "0", "-1", "1", "true", "false", "0.0",
    "-0.0",
    "1e-320", "9" * 30, "9" * 400, "9" * 5000, "0xffff", "1_000", '""', '" "', '"a"', "'x'",
    '"' + "x" * 100_000 + '"', "[]", "[1]", "[inf, nan]", "[1, 2, 3]", '["a", "b"]', "{}",
    "{ a = 1 }", "[" * 2000 + "]" * 2000, "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z",
    "[" + "1, " * 30_000 + "1]", '"\\u0000"', '"\\n"', '"../../evil"', "100000", "1000000000.0",
    "0.0001", '"T01"', '["T01", "T01"]', '["T99"]', "None", "null", "1,5", "= 3", "",
)  # fmt: skip
_PAIR = re.compile(r"(\w+) = (\[[^\]\n]*\]|\{[^}\n]*\}|\"[^\"\n]*\"|[^\s,}\n]+)")


def damaged_toml(data: bytes, rng: random.Random) -> Damage:
    """A TOML document with one or a few values, keys or tables wrong."""
    text = data.decode("utf-8", errors="replace")
    if rng.random() < 0.2:
        return damaged_bytes(data, rng)
    done = []
    for _ in range(rng.choice([1, 1, 1, 1, 2, 3])):
        pairs = list(_PAIR.finditer(text))
        if not pairs:
            break
        at = rng.choice(pairs)
        head, tail = text[: at.start()], text[at.end() :]
        match rng.randrange(10):
            case 0:
                text, what = head + tail, f"{at[1]} gone"
            case 1:
                text, what = f"{head}{at[0]}\n{at[0]}{tail}", f"{at[1]} twice"
            case 2:
                name = rng.choice(["extra", '""', '"a b"', "a.b.c", at[1] + "s", at[1].upper()])
                text, what = f"{head}{name} = {at[2]}{tail}", f"{at[1]} called {name}"
            case 3:
                table = rng.choice(
                    ["[extra]", "[[tools]]", "[bay]", "[[bay]]", "[plies]", "[rules.x]", "[]", "[["]
                )
                text, what = f"{head}\n{table}\n{at[0]}{tail}", f"{table} before {at[1]}"
            case 4:
                times = rng.choice([50, 3000])
                block = '\n[[plain]]\nname = "x"\nwidth_mm = 9\nheight_mm = 9\nthing_mm = 9\n'
                text, what = text + block * times, f"{times} further pockets"
            case _:
                raw = rng.choice(_TOML)
                text, what = f"{head}{at[1]} = {raw}{tail}", f"{at[1]} = {raw[:60]}"
        done.append(what)
    return text.encode("utf-8", errors="replace"), "; ".join(done)


def damaged_csv(data: bytes, rng: random.Random) -> Damage:
    """A list with cells, rows, headings or its way of writing wrong."""
    if rng.random() < 0.2:
        return damaged_bytes(data, rng)
    rows = [row for row in csv.reader(io.StringIO(data.decode("utf-8-sig"))) if row]
    done = []
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        r = rng.randrange(len(rows))
        c = rng.randrange(len(rows[r])) if rows[r] else 0
        match rng.randrange(12):
            case 0:
                rows[r] = rows[r][:c]
                what = f"row {r + 1} ends before cell {c + 1}"
            case 1:
                rows[r] = [*rows[r], *(hostile_text(rng) for _ in range(rng.choice([1, 5, 2000])))]
                what = f"further cells in row {r + 1}"
            case 2:
                # a row of thousands of cells a hundred thousand times is no list, but all memory
                most = 20_000_000 // max(sum(map(len, rows[-1])), 1)
                rows += [rows[-1]] * min(rng.choice([1, 100, 20_000, 100_000]), most)
                what = f"{len(rows)} rows"
            case 3:
                rows[0] = [rng.choice([*rows[0], "", "x_px", "name", "lay"]) for _ in rows[0]]
                what = "headings changed"
            case 4:
                rows[0] = [*rows[0], "lay", "tilt_deg", "packed"]
                rows[1:] = [
                    [*row, *(rng.choice([*HOSTILE_TEXTS[:30], "2", "x"]) for _ in range(3))]
                    for row in rows[1:]
                ]
                what = "optional columns"
            case _:
                if rows[r]:
                    rows[r][c] = hostile_text(rng)
                what = f"row {r + 1}, cell {c + 1} = {rows[r][c][:60]!r}" if rows[r] else "nothing"
        done.append(what)
    delimiter = rng.choice([",", ",", ",", ";", "\t", "|"])
    quoting = rng.choice([csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, quoting=quoting).writerows(rows)
    text = out.getvalue()[:20_000_000]  # what no person has is not worth the memory
    if rng.random() < 0.1:
        at = rng.randrange(len(text) + 1)
        text = f'{text[:at]}"{text[at:]}'
        done.append("a quote too many")
    encoding = rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252", "cp437", "mac_roman"])
    done.append(f"{delimiter!r} {encoding}")
    return text.encode(encoding, errors="replace"), "; ".join(done)
