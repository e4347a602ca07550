"""Simulated benches in processes of their own, with the adaptors that reach them."""

import json
import socket
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

import pytest

from benchlog.bench.adaptor import Meter, Source
from benchlog.bench.file import load_bench
from benchlog.model.clock import RealClock
from benchlog.model.role import Role
from benchlog_drivers.registry import make
from benchlog_drivers.simulated.options import make_options
from benchlog_drivers.simulated.process import Spawned, spawn


class Control:
    """The control line."""

    def __init__(self, address: str) -> None:
        host, _, port = address.rpartition(":")
        self._socket = socket.create_connection((host, int(port)), timeout=10.0)
        self._file = self._socket.makefile("rb")

    def ask(self, **message: object) -> dict[str, Any]:
        self._socket.sendall(json.dumps(message).encode() + b"\n")
        answer: dict[str, Any] = json.loads(self._file.readline())
        return answer

    def close(self) -> None:
        self._file.close()
        self._socket.close()


class There:
    """A bench in its process, with its adaptors."""

    def __init__(self, spawned: Spawned, scale: float) -> None:
        self.spawned = spawned
        self.bench = load_bench(spawned.bench_path)
        self.clock = RealClock(scale)
        self.control = Control(spawned.ready.control)
        self._made: list[Any] = []

    def adaptor(self, role: Role) -> Any:
        config = self.bench.playing(role)
        assert config is not None
        adaptor = make(config, self.clock)
        self._made.append(adaptor)
        return adaptor

    def source(self) -> Source:
        source = self.adaptor(Role.SOURCE)
        source.open()
        assert isinstance(source, Source)
        return source

    def meter(self, role: Role = Role.SOURCE_CURRENT) -> Meter:
        meter = self.adaptor(role)
        meter.open()
        assert isinstance(meter, Meter)
        return meter

    def close(self) -> None:
        for adaptor in self._made:
            adaptor.close()
        self.control.close()


@contextmanager
def run_bench(**words: object) -> Iterator[There]:
    options = make_options(**words)
    with spawn(options) as spawned:
        there = There(spawned, options.time_scale)
        try:
            yield there
        finally:
            there.close()


@pytest.fixture
def running() -> Callable[..., AbstractContextManager[There]]:
    """Runs a bench with the options given by name."""
    return run_bench
