"""Floor and ours in turn, so that a busy moment of the machine hits both alike."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median


@dataclass(frozen=True)
class Pair:
    """Medians in milliseconds; of a busy machine the processor time of this process tells more."""

    floor_ms: float
    ours_ms: float
    floor_cpu_ms: float
    ours_cpu_ms: float


class Stopwatch:
    """Keeps the seconds of each stretch measured, by the clock and of the processor."""

    def __init__(self) -> None:
        self.seconds: list[float] = []
        self.cpu_seconds: list[float] = []

    @contextmanager
    def running(self) -> Iterator[None]:
        started, worked = time.perf_counter(), time.process_time()
        yield
        self.cpu_seconds.append(time.process_time() - worked)
        self.seconds.append(time.perf_counter() - started)

    @property
    def median_ms(self) -> float:
        return median(self.seconds) * 1000

    @property
    def cpu_ms(self) -> float:
        return median(self.cpu_seconds) * 1000


Turn = Callable[[Stopwatch], None]


def alternate(floor: Turn, ours: Turn, *, rounds: int, warm_up: int = 1) -> Pair:
    """Medians over all stretches that each side measures in `rounds` turns, after turns that do not count."""
    for _ in range(warm_up):
        floor(Stopwatch())
        ours(Stopwatch())
    watches = Stopwatch(), Stopwatch()
    gc.collect()
    for number in range(rounds):
        sides = [(floor, watches[0]), (ours, watches[1])]
        for side, watch in sides if number % 2 == 0 else reversed(sides):
            side(watch)
    floor_watch, our_watch = watches
    return Pair(floor_watch.median_ms, our_watch.median_ms, floor_watch.cpu_ms, our_watch.cpu_ms)
