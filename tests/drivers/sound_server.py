"""A private sound server with one null sink, for tests that need a real audio stream; nothing of the system's
own sound is touched. ``why_not()`` says what is missing."""

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ASOUND = "/usr/share/alsa/alsa.conf"
INPUT, OUTPUT = "bench_in", "bench_out"


def why_not() -> str:
    """Why there can be no sound server here; empty where there can."""
    if sys.platform != "linux":
        return "the private sound server is tried on Linux only"
    if shutil.which("pulseaudio") is None:
        return "pulseaudio is not installed"
    if not Path(ASOUND).exists() or not list(
        Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")
    ):
        return "ALSA's plug-in for the sound server is not installed (libasound2-plugins)"
    if importlib.util.find_spec("sounddevice") is None:
        return "sounddevice is not installed"
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        return str(error)
    return ""


class SoundServer:
    """Started in a folder of its own; its null sink is played to as `OUTPUT` and heard as `INPUT`."""

    def __init__(self, folder: Path, rate_hz: int = 48_000) -> None:
        self._folder = folder
        self._rate_hz = rate_hz
        self._process: subprocess.Popen[bytes] | None = None
        (folder / "run").mkdir(mode=0o700, parents=True, exist_ok=True)
        (folder / "asound.conf").write_text(
            "".join(
                f'pcm.{name} {{ type pulse device "{device}" hint {{ show on description "{name}" }} }}\n'
                for name, device in ((INPUT, "bench.monitor"), (OUTPUT, "bench"))
            ),
            encoding="utf-8",
        )
        self.environment = {
            "PULSE_SERVER": f"unix:{folder}/run/native",
            "ALSA_CONFIG_PATH": f"{ASOUND}:{folder}/asound.conf",
            "XDG_RUNTIME_DIR": f"{folder}/run",
            "HOME": str(folder),
        }

    def start(self) -> None:
        path = self._folder / "run" / "native"
        path.unlink(missing_ok=True)
        sink = f"module-null-sink sink_name=bench format=float32le rate={self._rate_hz} channels=2"
        self._process = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit",
                "--use-pid-file=no", "--disable-shm=yes", "--log-level=error",
                "-L", f"module-native-protocol-unix socket={path} auth-anonymous=1", "-L", sink,
            ],
            env={**os.environ, **self.environment}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until = time.monotonic() + 10.0
        while not self._answers(str(path)):
            if self._process.poll() is not None or time.monotonic() > until:
                raise RuntimeError("the sound server did not start")
            time.sleep(0.02)

    @staticmethod
    def _answers(path: str) -> bool:
        with socket.socket(socket.AF_UNIX) as line:
            return line.connect_ex(path) == 0

    def kill(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(10.0)


@contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    """A server that runs while the block does."""
    server = SoundServer(folder)
    server.start()
    try:
        yield server
    finally:
        server.kill()
