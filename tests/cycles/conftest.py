"""A bus, sampled: waveforms inside the makers' limits, as an analyser has them."""

from collections.abc import Callable, Mapping
from fractions import Fraction

import numpy as np
import pytest

from bustrace.capture.model import Capture
from bustrace.units import sample_times_ps

LINES = ("CLK", "RW", *(f"A{bit}" for bit in range(16)), *(f"D{bit}" for bit in range(8)))


def collapse(
    samples: np.ndarray, rate: Fraction, lines: tuple[str, ...] = LINES, first: int = 0
) -> Capture:
    """Transitions of one state a sample, sample `first` on."""
    keep = np.flatnonzero(np.diff(samples, prepend=~samples[:1]))
    times = sample_times_ps(first, len(samples), rate)
    return Capture(
        mode="timing",
        time_ps=times[keep],
        state=samples[keep],
        known=None,
        lines=lines,
        rate=rate,
        gaps=np.zeros((0, 2), dtype=np.int64),
        end_ps=int(times[-1]),
    )


@pytest.fixture(scope="session")
def collapsed() -> Callable[..., Capture]:
    return collapse


@pytest.fixture(scope="session")
def sampled_bus() -> Callable[..., Capture]:
    """Build a capture of a bus whose cycle i is (address[i], data[i], rw[i])."""

    def build(
        address: np.ndarray,
        data: np.ndarray,
        rw: np.ndarray,
        *,
        rate: int = 24_000_000,
        period_ps: int = 1_000_000,
        ads_ps: int = 150_000,
        access_ps: int = 120_000,
        hold_ps: int = 20_000,
        floats_high: bool = True,
        late_ps: Mapping[str, int] | None = None,
        clock: Callable[[np.ndarray], np.ndarray] | None = None,
    ) -> Capture:
        """Sample it.

        Address and R/W change `ads_ps` after the fall; data come `access_ps` after the rise and
        stay for `hold_ps` after the fall, then float high or keep their level. A line in
        `late_ps` is seen that much later. `clock` maps times to the clock line's level.
        """
        n = len(address)
        times = sample_times_ps(0, int(n * period_ps * rate // 10**12), Fraction(rate))
        late = dict(late_ps or {})

        def seen(name: str) -> np.ndarray:
            return times - late.get(name, 0)

        def pick(values: np.ndarray, index: np.ndarray) -> np.ndarray:
            return values[np.clip(index, 0, n - 1)]

        state = np.zeros(len(times), dtype=np.uint64)
        for bit, name in enumerate(LINES):
            t = seen(name)
            if name == "CLK":
                level = clock(t) if clock else t % period_ps >= period_ps // 2
            elif name == "RW":
                level = pick(rw, (t - ads_ps) // period_ps)
            elif name[0] == "A":
                level = pick(address, (t - ads_ps) // period_ps) >> int(name[1:]) & 1
            else:
                arrived = t - period_ps // 2 - access_ps
                level = pick(data, arrived // period_ps) >> int(name[1:]) & 1
                gone = arrived % period_ps >= period_ps // 2 - access_ps + hold_ps
                if floats_high:
                    level = np.where(gone, 1, level)
            state |= level.astype(np.uint64) << np.uint64(bit)
        return collapse(state, Fraction(rate))

    return build


@pytest.fixture(scope="session")
def random_bus() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """600 cycles of changing addresses and bytes, one write in eight."""
    random = np.random.default_rng(6502)
    return (
        random.integers(0, 0x10000, 600),
        random.integers(0, 0x100, 600),
        (random.integers(0, 8, 600) > 0).astype(np.int64),
    )
