"""A whole rehearsal whose audio interface is heard through a real sound server's null sink, by PortAudio.

    python tests/line/sound_line.py --folder DIR [words of benchlog rehearse]

Starts a private server, plays the simulated bench to its null sink, and lets the recorder listen to the
monitor. Prints what the rehearsal prints. It takes as long as the bring-up does: sound has no time scale.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "drivers"))

from sound_server import INPUT, OUTPUT, sound_server, why_not  # type: ignore[import-not-found]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    args, words = parser.parse_known_args()
    if why_not():
        raise SystemExit(why_not())
    with sound_server(args.folder) as server:
        command = [
            *(sys.executable, "-m", "benchlog", "rehearse", "--meters", "audio", "--no-window"),
            *("--sound", f"{OUTPUT}={INPUT}", "--out", str(args.folder), *words),
        ]
        done = subprocess.run(command, env={**os.environ, **server.environment}, check=False)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
