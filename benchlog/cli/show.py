"""``benchlog show``: the job, the steps and the history of a session, as text."""

import argparse
from pathlib import Path

from benchlog.bringup.claims import unseen
from benchlog.bringup.wording import NO_CURRENT_SEEN
from benchlog.cli.inside import session_file
from benchlog.cli.options import add_json_option
from benchlog.cli.output import columns, print_json, print_lines
from benchlog.job.wording import ending_words, words_of
from benchlog.model.errors import Exit
from benchlog.model.history import (
    Approved,
    BenchSet,
    Corrected,
    DiskTrouble,
    Entry,
    JobEnded,
    JobEntered,
    Noted,
    PartChanged,
    PointsListed,
    RunBegun,
    RunEnded,
    RunSaid,
    RunTold,
    Taken,
)
from benchlog.model.step import StepRecord
from benchlog.report.figures import with_prefix
from benchlog.report.heading import describe_plate, describe_unit
from benchlog.report.wording import VERDICT_WORDS, outcome_sentence
from benchlog.session.lock import holder_of
from benchlog.session.reader import SessionReader


def add_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Options of ``show``."""
    parser.add_argument("file", type=Path, metavar="FILE", help="session file, or document (PDF)")
    parser.add_argument(
        "--all", action="store_true", help="every line the limit watch was told and said, too"
    )
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    """Print the session."""
    with session_file(args.file) as path, SessionReader(path, untrusted=True) as reader:
        entries = reader.entries(photographs=False)
        job = reader.job()
        head = reader.head()
        channels = {c.name: reader.count(c) for c in reader.channels()}
        broken = None if holder_of(path) is not None else reader.broken_off()
    if args.json:
        print_json(
            {"session": str(args.file), "head": head, "job": job, "readings": channels, "entries": entries}
        )
        return int(Exit.DONE)
    lines = [f"Job {job.number}" + (" (simulated)" if job.simulated else "")]
    if job.unit is not None:
        lines.append(f"Unit: {describe_unit(job.unit)}; {describe_plate(job.unit)}")
    lines += [f"{label}: {text}" for label, text in (("Complaint", job.complaint),) if text]
    lines += [f"Readings: {', '.join(f'{n} {c}' for c, n in channels.items())}"] if channels else []
    lines += _history(entries, args.all)
    lines += [] if broken is None else [str(broken)]
    lines.append(f"Head of the chain: {head}")
    print_lines(lines)
    return int(Exit.DONE)


def _history(entries: tuple[Entry, ...], everything: bool) -> list[str]:
    lines: list[str] = []
    gone = {e.payload.corrects: e.seq for e in entries if isinstance(e.payload, Corrected) and e.payload.void}
    for entry in entries:
        text = entry_text(entry)
        if not text or (isinstance(entry.payload, RunTold | RunSaid) and not everything):
            continue
        void = f" [does not count, by entry {gone[entry.seq]}]" if entry.seq in gone else ""
        lines.append(f"{entry.seq:5d}  {entry.wall:%Y-%m-%d %H:%M:%S}  {text}{void}")
        if isinstance(entry.payload, RunEnded):
            lines += steps_as_text(entry.payload.steps)
    return lines


def entry_text(entry: Entry) -> str:
    """One line for an entry of the history."""
    match entry.payload:
        case JobEntered():
            return "intake"
        case Noted(text=text):
            return f"note: {text}"
        case Taken() as taken:
            return _taken_text(taken)
        case PointsListed(points=points):
            return f"list of {len(points)} test points"
        case PartChanged() as part:
            return f"part {part.direction} at {part.position}: {part.value} {part.rating}".rstrip()
        case Approved() as answer:
            word = "approved" if answer.approved else "declined"
            return f"{word} by {answer.who} ({answer.how}): {answer.amount}"
        case JobEnded() as ended:
            return f"job ended: {ending_words(ended)}"
        case BenchSet(instruments=instruments):
            return "bench: " + ", ".join(i.name for i in instruments)
        case RunBegun(setup=setup):
            return f"bring-up begun, {len(setup.steps)} steps"
        case RunTold(event=event):
            return f"told {event}"
        case RunSaid(said=said):
            return f"said {said}"
        case RunEnded() as run_:
            return outcome_sentence(run_)
        case DiskTrouble(detail=detail):
            return f"disk: {detail}"
        case Corrected(corrects=corrects, text=text, void=void):
            return f"entry {corrects} does not count: {text}" if void else f"correction of {corrects}: {text}"
        case _:
            kind, text = words_of(entry.payload)
            return f"{kind}: {text}" if kind else "withheld"


def _taken_text(taken: Taken) -> str:
    if taken.value is not None:
        value = with_prefix(taken.value, taken.quantity.unit)
    else:
        value = taken.status.value if taken.status else "no reading"
    where = f"{taken.point.name}{f', {taken.point.group}' if taken.point.group else ''}"
    way = f", {taken.polarity}" if taken.polarity else ""
    return f"{where}{way}: {value} ({taken.verdict.value.replace('-', ' ')})"


def steps_as_text(steps: tuple[StepRecord, ...]) -> list[str]:
    """The step table as aligned text."""
    head = ("  set V", "inlet V", "inrush A", "idle A", "± U", "accept to", "stop at", "verdict")
    rows = [
        (
            f"  {s.set_v:.4g}",
            _figure(s.measured_v),
            (">=" if s.inrush_is_lower_bound else "") + _figure(s.inrush_a) + _inrush_u(s),
            _figure(s.idle_a),
            _figure(s.idle_u_a),
            _figure(s.acceptance_a),
            _figure(s.stop_a),
            f"{VERDICT_WORDS[s.verdict]} ({s.decided_by.value}){'; no current seen' * unseen(s)}",
        )
        for s in steps
        if s.visited
    ]
    blind = [f"{s.set_v:.4g} V" for s in steps if s.visited and unseen(s)]
    note = [f"  at {', '.join(blind)}: {NO_CURRENT_SEEN}"] if blind else []
    return [*columns(rows, head), *note]


def _inrush_u(step: StepRecord) -> str:
    """Of a peak that was seen as a waveform, where it is known."""
    return "" if step.inrush_u_a is None else f" ± {step.inrush_u_a:.2g}"


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.3g}"
