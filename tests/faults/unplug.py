"""Instruments unplugged during a bring-up and plugged in again, over real transports.

    python tests/faults/unplug.py --out DIR [--only NAME]

The simulated bench runs in a process of its own at time scale 1, ``benchlog bringup`` in another. When the
first step's voltage stands, the other end of one connection goes: the TCP server closes, or the
pseudo-terminal is taken away with its name. It comes back as it was, as another instrument, or switched off.
What has to follow is in `ROWS`; the simulator tells when it saw *off*, the session what the recorder was told
of the link. Writes ``unplug.json`` and ``unplug.md``.
"""

import socket
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from kills import Line, ask
from rows import conduct

from benchlog.bench.file import load_bench
from benchlog.model.event import LinkChanged, SourceAnswered
from benchlog.model.role import Role
from benchlog.session.reader import SessionReader

STALE_S = {"bench-meter": 0.5, "ammeter": 1.2}
"""max(0.5 s, 3 periods): then it waits and alarms; twice that: cut off."""
MARGIN_S = 0.5
"""For the machine: both processes and the look at the simulator share two cores."""


@dataclass(frozen=True)
class Way:
    """One connection and how it goes and comes."""

    instrument: str
    meters: str
    away_s: float
    back_as: str = "itself"
    """``itself``, ``another``, or ``switched off``."""
    cuts_off: bool = True
    """Whether it stays away for so long that the source has to be taken away."""


ROWS = {
    "meter's server restarted at once": Way("bench-meter", "bench", 0.25, cuts_off=False),
    "meter's pseudo-terminal plugged in again at once": Way("ammeter", "handheld", 0.3, cuts_off=False),
    "meter's server away": Way("bench-meter", "bench", 3.0),
    "meter's pseudo-terminal away": Way("ammeter", "handheld", 5.0),
    "another meter comes back": Way("bench-meter", "bench", 0.25, "another"),
    "source's server away": Way("source", "bench", 2.0),
    "source comes back switched off": Way("source", "bench", 0.4, "switched off"),
}


def run_row(name: str) -> dict[str, Any]:
    """One row, on a line of its own; ``faults`` says what was not as it has to be."""
    way = ROWS[name]
    with tempfile.TemporaryDirectory() as folder:
        line = Line(Path(folder), True, False, way.meters)
        try:
            if line.wait_for(lambda s: s["inlet_v"] > 3.0, 60.0) is None:
                raise RuntimeError(f"no voltage came: {line.said()}")
            time.sleep(1.5)
            seen = _act(line, way)
        finally:
            _end(line)
        links = _links(line.session, way)
        line.close()
    faults = [*_protection(way, seen), *_return(way, seen, links)]
    return {"row": name, **seen, "links": links, "faults": faults}


def _act(line: Line, way: Way) -> dict[str, Any]:
    """Unplug, plug in again, and look on."""
    order = {"type": "trouble", "instrument": way.instrument}
    if way.back_as == "another":
        ask(line.control, {**order, "kind": "wrong-instrument"})
    if way.back_as == "switched off":
        _switch_off_behind_its_back(line)
    begun_ns = time.monotonic_ns()
    ask(line.control, {**order, "kind": "closed"})
    off_ns = _watch(line, way.away_s, begun_ns)
    ask(line.control, {"type": "clear", "instrument": way.instrument})
    if way.back_as == "another":
        ask(line.control, {**order, "kind": "wrong-instrument"})
    back_ns = time.monotonic_ns()
    off_ns = _watch(line, 2.5, begun_ns) or off_ns
    status = line.status()
    went_on_again = _goes_on_again(line, 1.5) if not status["source_on"] else False
    return {
        "off_after_s": None if off_ns is None else round((off_ns - begun_ns) / 1e9, 2),
        "off_after_return_s": None if off_ns is None else round((off_ns - back_ns) / 1e9, 2),
        "on_at_the_end": status["source_on"],
        "went_on_again": went_on_again,
        "inlet_v": round(status["inlet_v"], 1),
        "said": _said(line),
    }


def _watch(line: Line, seconds: float, begun_ns: int) -> int | None:
    """Look on for so long; the first *off* that came since, or None."""
    until, first = time.monotonic() + seconds, None
    while time.monotonic() < until:
        off_ns = line.status()["off_received_ns"]
        if off_ns is not None and off_ns > begun_ns and first is None:
            first = off_ns
        time.sleep(0.01)
    return first


def _goes_on_again(line: Line, seconds: float) -> bool:
    return line.wait_for(lambda s: s["source_on"], seconds) is not None


def _switch_off_behind_its_back(line: Line) -> None:
    """As after a restart of the source: output off, zero volts, nothing set."""
    config = load_bench(line.simulated.bench_path).playing(Role.SOURCE)
    assert config is not None
    _, host, port, _ = config.connection.split("::")
    with socket.create_connection((host, int(port)), 5.0) as other:
        other.sendall(b"*RST;*OPC?\n")
        other.recv(64)


def _said(line: Line) -> list[str]:
    words = ("link", "another instrument", "cut off", "switch off")
    return [text.strip() for text in line.said().splitlines() if any(w in text.lower() for w in words)][-4:]


def _end(line: Line) -> None:
    """Let the recorder end, so that its session is whole."""
    if line.recorder.poll() is None:
        line.recorder.terminate()
    line.recorder.wait(20)


def _links(session: Path, way: Way) -> list[str]:
    """What the recorder was told of the link, in order; ``on`` where the source said that it was on."""
    role = Role.SOURCE if way.instrument == "source" else Role.SOURCE_CURRENT
    found = []
    with SessionReader(session) as reader:
        for _, told in reader.told():
            if isinstance(told, LinkChanged) and told.role is role:
                found.append("up" if told.up else f"down: {told.detail}")
            elif isinstance(told, SourceAnswered) and found and told.output_on:
                found += ["on"] if found[-1] != "on" else []
    return found


def _protection(way: Way, seen: dict[str, Any]) -> list[str]:
    """Unsafe within the stale time."""
    if not way.cuts_off:
        return [] if seen["off_after_s"] is None else ["taken away although it was back in time"]
    if seen["off_after_s"] is None:
        return ["the source was not switched off"] if way.back_as != "switched off" else []
    if way.instrument == "source":
        late = seen["off_after_return_s"] > 1.0 + MARGIN_S
        return ["off did not go first after the return"] if late else []
    limit_s = 2.0 * STALE_S[way.instrument] + MARGIN_S
    return [f"off after more than {limit_s} s"] if seen["off_after_s"] > limit_s else []


def _return(way: Way, seen: dict[str, Any], links: list[str]) -> list[str]:
    """Reconnected with the identity checked; the output never switched on again by the program."""
    faults = ["the output came on again"] if seen["went_on_again"] else []
    if way.cuts_off and seen["on_at_the_end"]:
        faults.append("the output is on at the end")
    if not any(text.startswith("down") for text in links):
        faults.append("the recorder was not told that the link is down")
    if not way.cuts_off and "up" not in links:
        faults.append("the link did not come back")
    if way.back_as == "another":
        if "up" in links:
            faults.append("another instrument was taken")
        if not any("serial number" in text and "answers" in text for text in links):
            faults.append("nothing tells that it is another instrument")
    return faults


def as_table(rows: list[dict[str, Any]]) -> str:
    """The report for a reader."""
    lines = [
        "| what | off after s | after return s | on at the end | link | wrong |",
        "|---|---|---|---|---|---|",
    ]
    for row in rows:
        links = ", ".join(text.partition(":")[0] for text in row["links"])
        lines.append(
            f"| {row['row']} | {row['off_after_s']} | {row['off_after_return_s']} | {row['on_at_the_end']} "
            f"| {links} | {'; '.join(row['faults']) or '-'} |"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(conduct(__doc__, ROWS, run_row, as_table, "unplug", lambda row: row["faults"]))
