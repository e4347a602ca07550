"""Every page of the document as a picture, to be looked at: each ending, both layouts, both papers.

Run: ``python tests/benchlog/report/gallery.py --out DIR [--only WORD] [--resolution 60]``. Needs poppler's
``pdftoppm``. Each document's pages stand side by side in one PNG file.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent))

from report_sessions import Building, hostile_job, png_of, whole_job

from benchlog.model.job import Ending, Job
from benchlog.report.comparison import make_comparison
from benchlog.report.content import Layout, Paper
from benchlog.report.document import make_document
from benchlog.session.copying import withhold

SAMPLES = Path(__file__).resolve().parents[3] / "sample_sessions"
PAGES_IN_A_ROW = 4

Pixels = npt.NDArray[np.uint8]


def sessions(folder: Path) -> Iterator[Path]:
    """The sessions that are shown, made in ``folder`` one after the other."""
    for ending in Ending:
        yield whole_job(folder / f"{ending.value}.benchlog", ending, photographs=3)
    for sample in sorted(SAMPLES.glob("*.benchlog")):
        copy = folder / f"sample-{sample.name}"
        copy.write_bytes(sample.read_bytes())
        yield copy
    yield whole_job(folder / "large.benchlog", readings=500, parts=40, photographs=12)
    yield Building(folder / "empty.benchlog", Job()).close()
    yield hostile_job(folder / "hostile.benchlog")
    withhold(whole_job(folder / "whole.benchlog", photographs=2), folder / "withheld.benchlog")
    yield folder / "withheld.benchlog"


def pages_of(pdf: Path, resolution: int) -> list[Pixels]:
    """Pictures of the pages, height × width × 3."""
    with tempfile.TemporaryDirectory() as name:
        words = ["pdftoppm", "-r", str(resolution), str(pdf), f"{name}/p"]
        subprocess.run(words, check=True, capture_output=True)
        return [_ppm(path) for path in sorted(Path(name).glob("p*.ppm"))]


def _ppm(path: Path) -> Pixels:
    data = path.read_bytes()
    width, height = (int(x) for x in data.split(b"\n", 3)[1].split())
    return np.frombuffer(data[-width * height * 3 :], np.uint8).reshape(height, width, 3)


def side_by_side(pages: list[Pixels]) -> Pixels:
    """One row of pages with a grey line between them."""
    line = np.full((pages[0].shape[0], 6, 3), 128, np.uint8)
    return np.hstack([part for page in pages for part in (page, line)])


def show(pdf: Path, out: Path, resolution: int) -> int:
    """Write the pictures of a document; returns how many pages it has."""
    pages = pages_of(pdf, resolution)
    for first in range(0, len(pages), PAGES_IN_A_ROW):
        row = pages[first : first + PAGES_IN_A_ROW]
        (out / f"{pdf.stem}-{first + 1:02d}.png").write_bytes(png_of(side_by_side(row)))
    return len(pages)


def main() -> None:
    """Make the pictures and say what there is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="", help="documents whose name holds this word")
    parser.add_argument("--resolution", type=int, default=60)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        made: list[Path] = []
        for session in sessions(Path(name)):
            made.append(session)
            for layout in (Layout.FILE, Layout.CUSTOMER):
                for paper in Paper:
                    stem = f"{session.stem}-{layout.value}-{paper.value}"
                    _one(args, stem, lambda pdf, s=session, y=layout, p=paper: make_document(s, pdf, y, p))
        for paper in Paper:
            _one(
                args,
                f"comparison-{paper.value}",
                lambda pdf, p=paper: make_comparison([made[0], SAMPLES / "repaired.benchlog"], pdf, p),
            )


def _one(args: argparse.Namespace, stem: str, make: Callable[[Path], object]) -> None:
    if args.only not in stem:
        return
    pdf = args.out / f"{stem}.pdf"
    make(pdf)
    print(f"{stem}: {show(pdf, args.out, args.resolution)} pages, {pdf.stat().st_size} bytes")


if __name__ == "__main__":
    main()
