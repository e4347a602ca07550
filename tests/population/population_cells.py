"""The cells of the campaign: which units on which benches, by part.

    PARTS["good"] -> tuple[Cell, ...]          and so on
    seed_of(base, cell, i) -> int              the seed of a cell's i-th run

Ranges of units and errors of meters are fixed (see `benchlog_drivers.simulated.population`, `…meters`).
"""

import hashlib
import itertools
from dataclasses import dataclass, field
from typing import Any

KINDS: dict[str, tuple[dict[str, str], ...]] = {
    "class AB, linear": tuple(
        {"amplifier": "class-ab", "supply": "linear", "core": core} for core in ("toroidal", "frame")
    ),
    "class A, linear": tuple(
        {"amplifier": "class-a", "supply": "linear", "core": core} for core in ("toroidal", "frame")
    ),
    "class D, linear": tuple(
        {"amplifier": "class-d", "supply": "linear", "core": core} for core in ("toroidal", "frame")
    ),
    "valve, linear": ({"amplifier": "valve", "supply": "linear", "core": "frame"},),
    "class AB, switch-mode": ({"amplifier": "class-ab", "supply": "switch-mode"},),
    "class D, switch-mode": ({"amplifier": "class-d", "supply": "switch-mode"},),
}
METERS: dict[str, dict[str, Any]] = {
    "bench": {"meters": "bench"},
    "handheld": {"meters": "handheld"},
    "clamp, 1 turn": {"meters": "clamp", "turns": 1},
    "clamp, 5 turns": {"meters": "clamp", "turns": 5},
}
SOURCES = ("programmed", "hand-set")
MAINS = (120.0, 230.0)
AB = "class AB, linear"


@dataclass(frozen=True, slots=True)
class Cell:
    """Runs that differ in their seed alone."""

    name: str
    group: dict[str, str]
    """What the tables are made by: kind, meter, source and so on."""
    variants: tuple[dict[str, Any], ...] = field(repr=False)
    """Options of the simulated bench; the i-th run takes them in turn."""
    plate_factor: float = 1.0
    """What the plate's figure is multiplied by."""
    reference: bool = False
    """With a reference unit of the model: its own good twin, read with other meters."""
    knows_idle: bool = False
    """With the maker's idle watts."""
    share: int = 1
    """Runs of this cell at each turn through the cells."""

    def words(self, i: int) -> dict[str, Any]:
        """Options of the i-th run, without its seed."""
        return self.variants[i % len(self.variants)]


def seed_of(base: int, cell: Cell, i: int) -> int:
    """The seed of a run: a digest of base seed, cell and number."""
    text = f"{base}/{cell.name}/{i}".encode()
    return int.from_bytes(hashlib.sha256(text).digest()[:7])


def _cell(group: dict[str, str], mains: float, kind: str, more: dict[str, Any], **rest: Any) -> Cell:
    """A cell of one kind at one mains; its cores are taken in turn."""
    variants = tuple(
        {"plate": None, "mains_v": mains, **unit, **METERS[group["meter"]], "source": group["source"], **more}
        for unit in KINDS[kind]
    )
    name = " / ".join([*group.values(), f"{mains:g} V"])
    return Cell(name, group, variants, **rest)


def _over(
    part: str, kinds: tuple[str, ...], meters: tuple[str, ...], sources: tuple[str, ...] = SOURCES,
    more: dict[str, Any] | None = None, label: str = "", **rest: Any,
) -> list[Cell]:  # fmt: skip
    """Every kind × meter × source × mains."""
    return [
        _cell(
            {"part": part, "what": label or part, "kind": kind, "meter": meter, "source": source},
            mains,
            kind,
            more or {},
            **rest,
        )
        for kind, meter, source, mains in itertools.product(kinds, meters, sources, MAINS)
    ]


_ALL, _EVERY = tuple(KINDS), tuple(METERS)
_FINE = ("bench", "handheld", "clamp, 5 turns")
_BY_HAND = ("hand-set",)
_OTHERS = (
    "leaky-reservoir",
    "high-bias",
    "shorted-turns",
    "open-rail-fuse",
    "open-mains-fuse",
    "soft-start-stuck",
    "reforming-reservoir",
    "wrong-voltage-tap",
)
_SHORTS = ("rail-short", "shorted-device", "shorted-rectifier")
_KIND_FAULTS = {
    "class A, linear": ("rail-short", "shorted-device", "shorted-rectifier", "high-bias", "shorted-turns"),
    "class D, linear": ("rail-short", "shorted-device", "shorted-rectifier", "shorted-turns"),
    "valve, linear": ("rail-short", "shorted-rectifier", "high-bias", "shorted-turns"),
    "class AB, switch-mode": ("rail-short", "shorted-device", "shorted-rectifier", "high-bias"),
    "class D, switch-mode": ("rail-short", "shorted-device", "shorted-rectifier"),
}


def _faults() -> list[Cell]:
    cells = []
    for fault in _SHORTS:
        cells += _over("faults", (AB,), _EVERY, more={"fault": fault}, label=fault, share=8)
    for fault in _OTHERS:
        cells += _over("faults", (AB,), _EVERY, more={"fault": fault}, label=fault)
    for kind, faults in _KIND_FAULTS.items():
        for fault in faults:
            cells += _over("faults", (kind,), ("handheld",), more={"fault": fault}, label=fault)
    return cells


def _runaways() -> list[Cell]:
    cells = _over("runaway", (AB,), _EVERY, more={"fault": "bias-runaway"}, label="bias-runaway", share=8)
    more = {"fault": "bias-runaway", "hand": "sweeping"}
    cells += _over("runaway", (AB,), ("handheld",), _BY_HAND, more, "bias-runaway, sweeping hand")
    return cells


def _referenced() -> list[Cell]:
    cells = []
    for fault in ("none", *_SHORTS, "leaky-reservoir", "high-bias", "shorted-turns", "open-rail-fuse"):
        for knows in ("reference", "knows_idle"):
            label = f"{fault}, {'a reference unit' if knows == 'reference' else 'the idle watts'} known"
            cells += _over(
                "known", (AB,), ("handheld", "clamp, 5 turns"), ("programmed",), {"fault": fault}, label,
                **{knows: True},
            )  # fmt: skip
    return cells


def _plates() -> list[Cell]:
    cells = []
    for factor in (0.75, 1.25):
        cells += _over("plates", _ALL, _EVERY, label=f"plate × {factor}", plate_factor=factor)
    return cells


def _hands() -> list[Cell]:
    cells = []
    for hand in ("sweeping", "creeping", "late", "overshooting", "forgetful"):
        cells += _over("hands", (AB,), _EVERY, _BY_HAND, {"hand": hand}, f"{hand} hand")
    for wander in (0.005, 0.01, 0.02):
        cells += _over("hands", (AB,), _EVERY, _BY_HAND, {"wander": wander}, f"mains wanders by {wander:.1%}")
    for fault in ("rail-short", "shorted-device"):
        more = {"hand": "sweeping", "fault": fault}
        cells += _over("hands", (AB,), ("handheld",), _BY_HAND, more, f"{fault}, sweeping hand")
    return cells


PARTS: dict[str, tuple[Cell, ...]] = {
    "good": tuple(_over("good", _ALL, _EVERY)),
    "plates": tuple(_plates()),
    "faults": tuple(_faults()),
    "runaway": tuple(_runaways()),
    "known": tuple(_referenced()),
    "hands": tuple(_hands()),
}
