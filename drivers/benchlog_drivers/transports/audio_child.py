"""The process of one audio input stream: samples to standard output until its parent is gone.

    python -m benchlog_drivers.transports.audio_child ORDER

``ORDER`` is JSON (`Order`); the first line answers (`Answer`), then come blocks (`HEADER` and float32).
"""

import os
import sys
import threading
import time
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.model.errors import PortRefused
from benchlog_drivers.transports.audio import (
    HEADER,
    Answer,
    Device,
    Order,
    check_channels,
    choose,
    devices_of,
    library,
    refusal,
)
from benchlog_drivers.transports.audio_ring import BlockRing

ROOM_S = 5.0
LOOK_S = 0.002


def open_stream(order: Order, ring: BlockRing) -> tuple[Device, Any]:
    """The device and its stream, started; the callback only copies. `PortRefused` says why not."""
    sounddevice = library()
    try:
        listed, apis = list(sounddevice.query_devices()), list(sounddevice.query_hostapis())
    except sounddevice.PortAudioError as error:
        raise PortRefused(f"The system's audio does not answer: {error}. Restart it.") from error
    device = choose(devices_of(listed, apis), order.wanted)
    check_channels(device, order.channels)

    def heard(samples: npt.NDArray[np.float32], _count: int, times: Any, status: Any) -> None:
        ring.put(samples, time.monotonic_ns() // 1000, times.inputBufferAdcTime, status.input_overflow)

    try:
        stream = sounddevice.InputStream(
            device=device.index, samplerate=order.rate_hz, blocksize=order.block, channels=order.channels,
            dtype="float32", latency="low", clip_off=True, dither_off=True, callback=heard,
        )  # fmt: skip
        stream.start()
    except sounddevice.PortAudioError as error:
        code = next((a for a in error.args if isinstance(a, int)), 0)
        raise refusal(device, order.rate_hz, code, str(error)) from error
    return device, stream


def _end_with_parent() -> None:
    """Standard input ends when the parent does; nothing of the sound library may hold this up."""
    sys.stdin.buffer.read()
    os._exit(0)


def main() -> int:
    """Stream until the parent is gone or the stream ends."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    order = msgspec.json.decode(sys.argv[1], type=Order)
    frames = max(order.block, 64)
    ring = BlockRing(max(int(ROOM_S * order.rate_hz / frames), 8), frames, order.channels)
    out = sys.stdout.buffer
    try:
        device, stream = open_stream(order, ring)
    except PortRefused as fault:
        out.write(msgspec.json.encode(Answer(refused=str(fault))) + b"\n")
        out.flush()
        return 1
    out.write(msgspec.json.encode(Answer(device)) + b"\n")
    out.flush()
    while stream.active:
        for block in ring.take():
            head = HEADER.pack(
                block.at_us * 1000, block.adc_s, block.dropped, block.overflowed, len(block.samples)
            )
            out.write(head + block.samples.astype("<f4").tobytes())
        out.flush()
        time.sleep(LOOK_S)
    return 1


if __name__ == "__main__":
    os._exit(main())
