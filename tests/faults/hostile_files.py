"""Files as a stranger might send them: each a function of its number, so that any can be made again.

    make(kind, number, folder, models) -> path

A kind is what the program takes the file for. ``models`` holds well-made files of each kind (`make_models`);
a hostile one is a model that was damaged, one with a part replaced by what no program writes, or one that
is small and unpacks to something large.
"""

import base64
import json
import random
import re
import shutil
import sqlite3
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hostile_pdf import make_pdf

Make = Callable[[random.Random, Path, Path], Path]
"""Random source, folder to write into, folder of the models → the file."""

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_sessions"
PROFILES = HERE.parents[1] / "drivers" / "benchlog_drivers" / "profiles"

NUMBERS = (
    0, -1, 1, 2**31, 2**63 - 1, -(2**63), 10**18, 1e308, -1e308, 1e-308, 5e-324, 0.1, -0.0, 1e15, 3600,
)  # fmt: skip
TEXTS = (
    "", "x", "\x00", "\x1b]0;title\x07\x1b[2J", "../../../../tmp/out", "/etc/passwd", "a" * 70_000,
    "\u202eabc",
    "#panic()", "$x$", "=1+1", "%s%n", "\ud7ff", "nan", "inf", "-inf", "1e999", "2026-11-25T00:00:00Z",
    "9999-12-31T23:59:59+00:00", "0001-01-01T00:00:00-23:59", "\n\n", "𝕏" * 500,
)  # fmt: skip


def deep(generator: random.Random) -> Any:
    """JSON nested more deeply than anything stands, as text is joined: a list of one string."""
    depth = generator.choice((60, 900, 5_000, 100_000))
    return Raw("[" * depth + "]" * depth)


class Raw(str):
    """JSON text that is put where a value stands."""


def anything(generator: random.Random) -> Any:
    """A value of any type."""
    return generator.choice(
        (
            lambda: generator.choice(NUMBERS),
            lambda: generator.choice(TEXTS),
            lambda: generator.choice((None, True, False, [], {}, [[]], {"type": "note"})),
            lambda: generator.uniform(-1e6, 1e6),
            lambda: [generator.choice(NUMBERS)] * generator.choice((1, 3, 3000)),
            lambda: deep(generator),
        )
    )()


def dumped(value: Any) -> str:
    """JSON with `Raw` parts as they are."""
    parts: list[str] = []

    def hide(node: Any) -> Any:
        if isinstance(node, Raw):
            parts.append(str(node))
            return f"\ue000{len(parts) - 1}\ue000"
        if isinstance(node, dict):
            return {key: hide(item) for key, item in node.items()}
        return [hide(item) for item in node] if isinstance(node, list) else node

    text = json.dumps(hide(value), ensure_ascii=False)
    return re.sub('"\ue000(\\d+)\ue000"', lambda found: parts[int(found[1])], text)


def spoil(value: Any, generator: random.Random) -> Any:
    """One leaf or branch of a JSON value replaced, left out or multiplied."""
    if isinstance(value, dict) and value and generator.random() < 0.9:
        key = generator.choice(list(value))
        if generator.random() < 0.05:
            return {k: v for k, v in value.items() if k != key}
        return {**value, key: spoil(value[key], generator)}
    if isinstance(value, list) and value and generator.random() < 0.8:
        if generator.random() < 0.1:
            return value * generator.choice((0, 2, 300))
        place = generator.randrange(len(value))
        return [*value[:place], spoil(value[place], generator), *value[place + 1 :]]
    if isinstance(value, int | float) and not isinstance(value, bool) and generator.random() < 0.6:
        return generator.choice((*NUMBERS, value * 1e9, -value, value / 1e9))
    return anything(generator)


def damage(data: bytes, generator: random.Random) -> bytes:
    """Bits turned, bytes replaced, a piece cut out, doubled or overwritten, an end cut off."""
    out = bytearray(data)
    for _ in range(generator.choice((1, 1, 2, 8, 60))):
        place = generator.randrange(max(1, len(out)))
        length = generator.choice((1, 4, 100, 5_000))
        match generator.randrange(6):
            case 0 if out:
                out[place] ^= 1 << generator.randrange(8)
            case 1:
                out[place : place + length] = generator.randbytes(length)
            case 2:
                del out[place : place + length]
            case 3:
                out[place:place] = out[place : place + length]
            case 4:
                out[place : place + length] = bytes([generator.choice((0, 255))]) * length
            case _ if generator.random() < 0.2:
                del out[place:]
    return bytes(out)


# -- sessions

_TABLES = (
    "meta", "anchor", "channel", "setting", "reading", "summary", "entry", "wave", "wave_block", "chain",
)  # fmt: skip
_PLANTED = (
    "create trigger t after insert on entry begin select load_extension('/tmp/x.so'); end",
    "create view v as with recursive r(n) as (select 1 union all select n + 1 from r) select n from r",
    "alter table reading rename to r0; create view reading as with recursive r(n) as (select 1 union all "
    "select n + 1 from r) select n as channel, n as t_us, n as took_us, n as late_us, n as value, "
    "0 as status, 1 as setting from r",
    "alter table entry rename to e0; create view entry as select seq, t_us, wall, kind, salt, "
    "writefile('/tmp/benchlog-hostile', payload) as payload, digest, link from e0",
    "create index i on entry(hex(zeroblob(1000)))",
    "create table more(x, y generated always as (hex(zeroblob(100000000))) virtual)",
    "pragma user_version = 99",
    "pragma user_version = 0",
    "pragma application_id = 1",
    "drop table chain",
    "delete from anchor",
    "delete from chain",
    "delete from setting",
    "update entry set payload = zeroblob(15000000) where seq = 2",
    "update entry set payload = hex(zeroblob(7000000)) where seq in (1, 3)",
    "update meta set value = hex(zeroblob(7000000))",
    "update wave set samples = 9000000000000000000",
    "update wave set rate_hz = 1e308",
    "update wave set rate_hz = 1e-300",
    "update anchor set scale = 0",
    "update anchor set scale = 1e308",
    "update anchor set unix_us = 9000000000000000000",
    "update reading set value = 1e308",
    "update reading set t_us = t_us * 1000000",
    "update reading set took_us = 4000000000000000000",
    "update setting set turns = 0",
    "update channel set role = 'cut-off'",
    "update channel set quantity = 'resistance'",
)


def make_session(generator: random.Random, folder: Path, models: Path) -> Path:
    """A session file: bytes damaged, cells and entries replaced, tables that are not ours."""
    model = generator.choice(sorted(models.glob("*.benchlog")))
    path = folder / "hostile.benchlog"
    match generator.randrange(8):
        case 0:
            path.write_bytes(damage(model.read_bytes(), generator))
        case 1:
            shutil.copyfile(model, path)
            (folder / "hostile.benchlog-wal").write_bytes(damage(model.read_bytes()[:40_000], generator))
        case 2 | 3:
            shutil.copyfile(model, path)
            _change(path, generator, _cell)
        case 4:
            shutil.copyfile(model, path)
            _change(path, generator, lambda db, g: db.executescript(g.choice(_PLANTED)))
        case _:
            shutil.copyfile(model, path)
            _change(path, generator, _payload)
    return path


def _change(path: Path, generator: random.Random, change: Callable[[Any, random.Random], Any]) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    try:
        db.execute("pragma journal_mode = memory")
        for _ in range(generator.choice((1, 1, 2, 5))):
            change(db, generator)
    except (sqlite3.Error, OverflowError, UnicodeEncodeError, ValueError, RecursionError, MemoryError):
        pass  # what SQLite itself refuses can't come in a file; what was spoiled is not spoiled again
    finally:
        db.close()


def _cell(db: sqlite3.Connection, generator: random.Random) -> None:
    table = generator.choice(_TABLES)
    names = [found[1] for found in db.execute(f"pragma table_info({table})")]
    value = generator.choice((*NUMBERS, *TEXTS, None, b"", b"\x00" * 40, generator.randbytes(64)))
    where = (
        f"rowid % {generator.choice((1, 2, 7, 50))} = 0" if table not in ("reading", "wave_block") else "1"
    )
    db.execute(f"update {table} set {generator.choice(names)} = ? where {where}", (value,))


def _payload(db: sqlite3.Connection, generator: random.Random) -> None:
    """What an entry says, with one value in it replaced; entries of a run more often than others."""
    kinds = ("run-begun", "run-ended", "told", "said", "bench", "job", "taken", "photograph", "%")
    like = generator.choice(kinds)
    rows = db.execute(
        "select seq, payload from entry where kind like ? and payload is not null", (like,)
    ).fetchall()
    if not rows:
        return
    seq, payload = generator.choice(rows)
    if generator.random() < 0.1:
        text = payload[:-1] + ',"zz":' + str(deep(generator)) + "}"
    elif "photograph" in like and generator.random() < 0.5:
        picture = base64.b64encode(_picture(generator)).decode()
        text = json.dumps({**json.loads(payload), "data": picture})
    else:
        text = dumped(spoil(json.loads(payload), generator))
    db.execute("update entry set payload = ? where seq = ?", (text, seq))


# -- tables of text

BAD_TOML = (
    lambda g: "a = " + "[" * 100_000,
    lambda g: "a = " + "[" * 700 + "]" * 700,
    lambda g: "a = " + "{a=" * 50_000,
    lambda g: "n = " + "9" * 6_000,
    lambda g: "n = 0x" + "f" * 100_000,
    lambda g: ".".join("a" * g.choice((300, 40_000))) + " = 1",
    lambda g: "[" + ".".join("a" * 40_000) + "]",
    lambda g: "".join(f"[a{i}]\n" for i in range(g.choice((100, 100_000)))),
    lambda g: "[[a]]\n[a.b]\n" * 60_000,
    lambda g: "s = '''" + "x" * 3_000_000 + "'''",
    lambda g: "a = 1\n" * 2,
    lambda g: "\ufeffa = 1",
    lambda g: "d = 0000-00-00",
    lambda g: "x = " + "_1" * 30_000,
)


def toml_value(generator: random.Random) -> str:
    """A value of TOML of any type."""
    return generator.choice(
        (
            *(str(n) for n in NUMBERS), "nan", "inf", "-inf", "true", "[]", "{}", "1979-05-27", "07:32:00",
            "0.0", "1e-300", "1000000000000", *(json.dumps(t[:3_000]) for t in TEXTS),
            "[" + "1," * 5_000 + "]", '["a", 1]', "9" * 400,
        )
    )  # fmt: skip


def spoil_toml(text: str, generator: random.Random) -> str:
    """Some values of a TOML text replaced, lines doubled, left out or exchanged."""
    lines = text.splitlines()
    for _ in range(generator.choice((1, 1, 2, 4))):
        place = generator.randrange(len(lines))
        key, equals, _ = lines[place].partition(" = ")
        match generator.randrange(8):
            case 0:
                lines.insert(place, generator.choice(lines))
            case 1 if len(lines) > 1:
                del lines[place]
            case 2:
                lines[place] = f"{generator.choice(TEXTS)[:100]} = {toml_value(generator)}"
            case _ if equals:
                lines[place] = f"{key} = {toml_value(generator)}"
            case _:
                pass
    return "\n".join(lines) + "\n"


def toml_maker(name: str, where: Callable[[Path], list[Path]]) -> Make:
    """Makes hostile TOML out of the models that ``where`` finds."""

    def made(generator: random.Random, folder: Path, models: Path) -> Path:
        path = folder / name
        model = generator.choice(where(models)).read_bytes()
        match generator.randrange(10):
            case 0:
                path.write_bytes(damage(model, generator))
            case 1:
                path.write_text(generator.choice(BAD_TOML)(generator), encoding="utf-8")
            case 2:
                path.write_text(
                    model.decode() + "\n" + generator.choice(BAD_TOML)(generator), encoding="utf-8"
                )
            case _:
                path.write_text(spoil_toml(model.decode(), generator), encoding="utf-8", errors="replace")
        return path

    return made


HARD_PATTERNS = (
    r"(?P<value>(\d+)+)(?P<unit>V)!",
    r"(?P<value>(a|a|\d)*)(?P<unit>V)!",
    r"(?P<value>(\d*)*\d*)(?P<unit>V)$!",
    r"(?P<value>(?:\d?){50}\d{50})(?P<unit>V)!",
    r"(?P<value>.*.*.*.*.*.*.*.*)(?P<unit>V)!",
    r"(?P<value>((\d{1,100}){1,100}){1,100})(?P<unit>V)!",
    r"(?P<value>[0-9]{1,60000})(?P<unit>V)",
    r"(?P<value>(?=(\d+)+!)\d)(?P<unit>V)",
    r"(?P<value>\d+)(?P<unit>V)\1\1",
    "(" * 5_000 + r"(?P<value>\d)(?P<unit>V)" + ")" * 5_000,
)


def make_pattern(generator: random.Random, folder: Path, models: Path) -> Path:
    """A profile whose pattern never comes to an end on some lines, or is larger than any."""
    text = (models / "stranger.toml").read_text(encoding="utf-8")
    pattern = generator.choice(HARD_PATTERNS)
    path = folder / "hostile.toml"
    changed = [f"pattern = '{pattern}'" if x.startswith("pattern") else x for x in text.splitlines()]
    if generator.random() < 0.5:
        changed = [
            f"{x}\nlongest = {generator.choice((200, 100_000, 10**12))}" if x == "[text]" else x
            for x in changed
        ]
    path.write_text("\n".join(changed) + "\n", encoding="utf-8")
    return path


# -- numbers in rows


def make_csv(generator: random.Random, folder: Path, models: Path) -> Path:
    """A table of a waveform or of slow readings."""
    path = folder / "hostile.csv"
    model = generator.choice(sorted(models.glob("*.csv"))).read_bytes()
    match generator.randrange(8):
        case 0:
            path.write_bytes(damage(model, generator))
        case 1:
            path.write_bytes(
                generator.choice((b"", b"\xff\xfe", b"\x00" * 100_000, b"," * 3_000_000, b'"' * 300_000))
            )
        case 2:
            path.write_bytes(b"t_s,v_v,i_a\n" + b"0,0,0\n" * generator.choice((1, 3, 100_000)))
        case 3:
            path.write_bytes(model + b"9" * generator.choice((5_000, 3_000_000)) + b",1,1\n")
        case _:
            rows = [row.split(b",") for row in model.splitlines()]
            for _ in range(generator.choice((1, 2, 30))):
                row = generator.choice(rows)
                row[generator.randrange(len(row))] = generator.choice(
                    (
                        *(str(n).encode() for n in NUMBERS),
                        *(t.encode("utf-8", "replace") for t in TEXTS),
                        b"1_0",
                    )
                )
            path.write_bytes(b"\n".join(b",".join(row) for row in rows))
    return path


# -- pictures and sound


def _png(width: int, height: int, data: bytes, *more: tuple[bytes, bytes]) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), *more, (b"IDAT", data), (b"IEND", b""))
    body = b"".join(
        struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


def _picture(generator: random.Random) -> bytes:
    """A picture that is small in the file: enormous, of enormous text, of odd metadata, or none at all."""
    rows = zlib.compress(bytes(1_000_000))
    return generator.choice(
        (
            lambda: _png(60_000, 60_000, rows),
            lambda: _png(2**31 - 1, 2**31 - 1, rows),
            lambda: _png(8_900, 8_900, zlib.compress(bytes(8_900 * (3 * 8_900 + 1)), 1)),
            lambda: _png(20_000, 4_400, zlib.compress(b"\x00" * 50)),
            lambda: _png(
                9, 9, zlib.compress(bytes(9 * 28)), (b"zTXt", b"a\0\0" + zlib.compress(bytes(90_000_000)))
            ),
            lambda: _png(
                9, 9, zlib.compress(bytes(9 * 28)), (b"iCCP", b"a\0\0" + zlib.compress(bytes(90_000_000)))
            ),
            lambda: _png(9, 9, zlib.compress(bytes(9 * 28)), (b"eXIf", b"MM\0*\0\0\0\x08" + b"\xff" * 400)),
            lambda: _png(0, 0, b""),
            lambda: b"\xff\xd8\xff" + generator.randbytes(3_000),
            lambda: b"<svg xmlns='http://www.w3.org/2000/svg'><image href='/etc/passwd'/></svg>",
            lambda: b"GIF89a" + generator.randbytes(50),
        )
    )()


def make_picture(generator: random.Random, folder: Path, models: Path) -> Path:
    """A photograph."""
    path = folder / f"hostile.{generator.choice(('jpg', 'png'))}"
    model = generator.choice(sorted(models.glob("*.jpg")) + sorted(models.glob("*.png")))
    path.write_bytes(
        damage(model.read_bytes(), generator) if generator.random() < 0.7 else _picture(generator)
    )
    return path


def _wav_head(channels: int, rate: int, bits: int, size: int, code: int = 1) -> bytes:
    align = min(channels * bits // 8, 65_535)
    form = struct.pack("<HHIIHH", code, channels, rate, min(rate * align, 2**32 - 1), align, bits)
    return b"RIFF" + struct.pack("<I", min(size + 36, 2**32 - 1)) + b"WAVEfmt " + struct.pack("<I", 16) + form


def make_sound(generator: random.Random, folder: Path, models: Path) -> Path:
    """A recording as sound: damaged, announcing more than it holds, or unpacking to far more."""
    path = folder / "hostile.wav"
    match generator.randrange(6):
        case 0:
            head = _wav_head(
                generator.choice((0, 1, 2, 1024, 65_535)),
                generator.choice((0, 1, 48_000, 4_000_000_000)),
                generator.choice((0, 8, 16, 24, 32, 64)),
                2**32 - 1,
                generator.choice((1, 3, 6, 0xFFFE, 85)),
            )
            path.write_bytes(head + b"data" + struct.pack("<I", 2**32 - 1) + generator.randbytes(5_000))
        case 1:
            path.write_bytes(
                _wav_head(2, 48_000, 16, 3_000_000_000) + b"data" + struct.pack("<I", 3_000_000_000)
            )
            with path.open("r+b") as file:
                file.truncate(3_000_000_000)  # sparse: it takes no room on the disk
        case 2:
            path = folder / "hostile.flac"
            shutil.copyfile(models / "silence.flac", path)
        case _:
            model = generator.choice(sorted(models.glob("*.wav")) + sorted(models.glob("*.flac")))
            path = folder / f"hostile{model.suffix}"
            path.write_bytes(damage(model.read_bytes()[:400_000], generator))
    return path


# -- JSON


def make_json(generator: random.Random, folder: Path, models: Path) -> Path:
    """An exported session, or a reference."""
    name = generator.choice(("session.json", "reference.json"))
    model = (models / name).read_bytes()
    path = folder / f"hostile-{name}"
    match generator.randrange(6):
        case 0:
            path.write_bytes(damage(model, generator))
        case 1:
            path.write_bytes(
                generator.choice(
                    (b"[" * 200_000, b'{"a":' * 200_000, b"9" * 100_000, b"\x00", b"nan", b"[1e999]")
                )
            )
        case _:
            path.write_text(dumped(spoil(json.loads(model), generator)), encoding="utf-8", errors="replace")
    return path


def make_large(generator: random.Random, folder: Path, models: Path) -> Path:
    """A file of any name that is far larger than any of its kind, and takes no room on the disk."""
    name = generator.choice(
        ("large.toml", "large.csv", "large.json", "large.pdf", "large.benchlog", "large.png", "large.wav")
    )
    path = folder / name
    starts = {"large.pdf": b"%PDF-1.7\n", "large.png": b"\x89PNG\r\n\x1a\n", "large.wav": b"RIFF"}
    path.write_bytes(starts.get(name, b""))
    if name == "large.benchlog":
        shutil.copyfile(next(models.glob("*.benchlog")), path)
    with path.open("r+b") as file:
        file.truncate(generator.choice((900_000_000, 6_000_000_000)))
    return path


KINDS: dict[str, Make] = {
    "session": make_session,
    "profile": toml_maker("hostile.toml", lambda models: sorted(PROFILES.glob("*.toml"))),
    "pattern": make_pattern,
    "plan": toml_maker("hostile-plan.toml", lambda models: [models / "plan.toml"]),
    "bench": toml_maker("hostile-bench.toml", lambda models: sorted(models.glob("bench*.toml"))),
    "points": toml_maker("hostile-points.toml", lambda models: [models / "points.toml"]),
    "csv": make_csv,
    "pdf": make_pdf,
    "picture": make_picture,
    "sound": make_sound,
    "json": make_json,
    "large": make_large,
}


def make(kind: str, number: int, folder: Path, models: Path) -> Path:
    """The file of that kind and number, in ``folder``."""
    return KINDS[kind](random.Random(f"{kind} {number}"), folder, models)
