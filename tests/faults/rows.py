"""A campaign of rows: each is run on a bench of its own, told as it comes, and kept in a report."""

import argparse
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

Row = dict[str, Any]


def conduct(
    doc: str | None,
    names: Iterable[str],
    run_row: Callable[[str], Row],
    as_table: Callable[[list[Row]], str],
    stem: str,
    broken: Callable[[Row], object],
) -> int:
    """The command line of a campaign: ``--out DIR [--only TEXT]``; 1 where a row is ``broken``.

    Writes ``STEM.json`` and ``STEM.md``.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="", help="rows whose name holds this")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for name in names:
        if args.only in name:
            rows.append(run_row(name))
            print(as_table(rows[-1:]).splitlines()[-1], flush=True)
    (args.out / f"{stem}.json").write_text(json.dumps(rows, indent=1), encoding="utf-8")
    (args.out / f"{stem}.md").write_text(as_table(rows), encoding="utf-8")
    return int(any(map(broken, rows)))
