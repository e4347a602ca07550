"""The program with little memory, given one hostile file after another, told on standard input.

    python tests/faults/hostile_victim.py MODELS FOLDER

Each line in is ``[kind, number]``, each line out a `Verdict` as JSON. Every command runs in this process,
under a limit of its address space, with a hook that notes what no reading of a file has to do: start a
process, open a connection, load a library, unpickle, write outside the folder.
"""

import contextlib
import io
import json
import os
import resource
import shutil
import sys
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

MOST_MEMORY = 2_500_000_000
"""Bytes of address space, of which the program with all its libraries takes about a third to begin with."""
MOST_CPU_S = 20.0
"""Of the processor, for one command on one file."""
KNOWN = {0, 1, 2, 3, 4, 5, 6}
"""Exit codes of the program's own errors and of runs judged again."""

_FORBIDDEN = (
    "subprocess.Popen", "os.exec", "os.fork", "os.forkpty", "os.posix_spawn", "os.spawn", "os.system",
    "socket.connect", "socket.bind", "pickle.find_class", "ctypes.dlopen", "webbrowser.open",
    "sqlite3.load_extension",
)  # fmt: skip
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


@dataclass
class Verdict:
    """What came of one file."""

    kind: str
    number: int
    codes: list[int] = field(default_factory=list)
    cpu_s: float = 0.0
    """The longest command's."""
    peak_mb: int = 0
    faults: list[str] = field(default_factory=list)


class Watch:
    """What the interpreter's audit hook saw while it was looking."""

    def __init__(self, folder: Path) -> None:
        self.looking = False
        self.seen: list[str] = []
        self._folder = str(folder.resolve())
        sys.addaudithook(self._hear)

    def _hear(self, event: str, args: tuple[Any, ...]) -> None:
        if not self.looking:
            return
        if event in _FORBIDDEN:
            self.seen.append(f"{event} {args!r}"[:200])
        elif event == "open" and isinstance(args[0], str) and args[2] is not None and args[2] & _WRITES:
            path = os.path.realpath(args[0])
            if not path.startswith((self._folder, "/dev/null", "/proc/")):
                self.seen.append(f"writes {path}")


def commands(kind: str, path: Path, number: int, models: Path) -> list[list[str | Path]]:
    """What is done with a file of that kind."""
    made = path.parent
    plate: list[str | Path] = ["--plate-va", "300"]
    session: list[list[str | Path]] = [
        ["show", path],
        ["verify", path],
        [
            "export",
            path,
            "--csv",
            made / "csv",
            "--json",
            made / "out.json",
            "--photographs",
            made / "pictures",
        ],
        ["rejudge", path],
        ["plan", path],
        ["plan", *plate, "--reference", path],
        ["jobs", "--folder", made],
    ]
    if number % 4 == 0:
        session += [
            ["recover", path, "-o", made / "back.benchlog"],
            ["compare", path, models / "repaired.benchlog"],
        ]
        session += [
            ["export", path, "--xlsx", made / "a.xlsx", "--npz", made / "a.npz"],
            ["note", path, "more"],
        ]
    if number % 16 == 0:
        session += [["document", path, "-o", made / "out.pdf"]]
        session += [["document", path, "-o", made / "short.pdf", "--layout", "customer"]]
    plans: dict[str, list[list[str | Path]]] = {
        "session": session,
        "profile": [["profile", "check", path], ["benchlog-decode", path]],
        "pattern": [["profile", "check", path], ["benchlog-decode", path]],
        "plan": [["plan", *plate, "--plan", path], ["rejudge", models / "slow.csv", *plate, "--plan", path]],
        "bench": [["plan", *plate, "--bench", path], ["plan", "--bench", path]],
        "points": [["point", made / "job.benchlog", "load", path], ["point", made / "job.benchlog", "list"]],
        "csv": [
            ["figures", path],
            ["rejudge", path, *plate],
            ["import", path, "-o", made / "in.benchlog"],
            ["benchlog-play", path],
        ],
        "pdf": [["verify", path], ["show", path], ["export", path, "--csv", made / "csv"]],
        "picture": [
            ["note", made / "job.benchlog", "seen", "--photo", path],
            ["note", made / "job.benchlog", "seen", "--photo", path, "--strip"],
        ],
        "sound": [["figures", path, "--volts", "1=400", "--amps", "2=100", "--corner", "7"]],
        "json": [["import", path, "-o", made / "in.benchlog"], ["plan", *plate, "--reference", path]],
    }
    if kind != "large":
        return plans[kind]
    return [
        ["verify", path], ["show", path], ["figures", path],
        ["figures", path, "--volts", "1=1", "--amps", "2=1"],
        ["rejudge", path, *plate], ["import", path, "-o", made / "in.benchlog"], ["profile", "check", path],
        ["plan", *plate, "--plan", path], ["plan", "--bench", path], ["plan", *plate, "--reference", path],
        ["note", made / "job.benchlog", "seen", "--photo", path], ["benchlog-play", path],
        ["point", made / "job.benchlog", "load", path],
    ]  # fmt: skip


def main() -> int:
    models, folder = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME", "TMPDIR"):
        os.environ[name] = str(folder / "own")
    (folder / "own").mkdir(exist_ok=True)
    import hostile_run  # only now, since the program looks for its folders

    watch = Watch(folder)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for line in sys.stdin:
        kind, number = json.loads(line)
        print(
            json.dumps(asdict(judge(hostile_run, watch, kind, number, models, folder / "case"))), flush=True
        )
    return 0


def judge(run: Any, watch: Watch, kind: str, number: int, models: Path, folder: Path) -> Verdict:
    """Make the file and give it to every command that reads such a file."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    path = run.make(kind, number, folder, models)
    if kind in ("points", "picture", "large"):
        shutil.copyfile(models / "declined.benchlog", folder / "job.benchlog")
    verdict = Verdict(kind, number)
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    for words in commands(kind, path, number, models):
        _one(run, watch, [str(word) for word in words], verdict)
    verdict.peak_mb = _peak_mb()
    shutil.rmtree(folder, ignore_errors=True)
    return verdict


def _one(run: Any, watch: Watch, words: list[str], verdict: Verdict) -> None:
    begun, said, told = time.process_time(), io.StringIO(), f"{words[0]} {Path(words[1]).name}"
    watch.seen.clear()
    watch.looking = True
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code, crash = run.run(words)
    finally:
        watch.looking = False
    took = time.process_time() - begun
    verdict.codes.append(code)
    verdict.cpu_s = max(verdict.cpu_s, round(took, 2))
    if code not in KNOWN or crash:
        verdict.faults.append(f"{told}: ended with {code}: {crash[-700:]}")
    verdict.faults += [f"{told}: {what}" for what in watch.seen]
    if took > MOST_CPU_S:
        verdict.faults.append(f"{told}: took {took:.0f} s")
    verdict.faults += [f"{told}: {what}" for what in run.unfit(said.getvalue(), code)]


def _peak_mb() -> int:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) // 1000


if __name__ == "__main__":
    sys.exit(main())
