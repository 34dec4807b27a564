"""What the phase of one message tells, by its definitions, frame by frame: no columns and no carries."""

from __future__ import annotations

from cmath import exp, pi
from statistics import fmean
from typing import NamedTuple

WINDOW, HALF = 50, 25
FITTED, THIRD = 0.02, 1 / 3


class Step(NamedTuple):
    """A frame with which the phase steps: its number, by how many periods, what is steady around it."""

    at: int
    step: float
    before: float
    after: float
    slopes: tuple[float, float]
    steady: tuple[bool, bool]


def lost(times: list[int], period: int) -> list[tuple[int, int]]:
    """Return (frame behind the first loss, frames lost) of each loss in frames without silences."""
    runs: list[list[Step]] = []
    for at in range(WINDOW, len(times) - WINDOW + 1):
        if times[at] - times[at - 1] <= 1.5 * period:
            continue
        one = _step(times, at, period)
        if one.step < 2 / 3:
            continue
        if runs and at - runs[-1][-1].at < 100:
            runs[-1].append(one)
        else:
            runs.append([one])
    told = [_told(times, run, period) for run in runs]
    return [one for one in told if one is not None]


def _step(times: list[int], at: int, period: int) -> Step:
    mean = [fmean(times[at + start : at + start + HALF]) for start in (-WINDOW, -HALF, 0, HALF)]
    raw = ((mean[1] - mean[0]) / HALF, (mean[3] - mean[2]) / HALF)
    fitted = _clipped(fmean(raw), period)
    before = times[at] - (mean[0] + mean[1]) / 2
    after = (mean[2] + mean[3]) / 2 - times[at]
    slopes = (_clipped(raw[0], period), _clipped(raw[1], period))
    steady = tuple(abs(slope / period - 1) < FITTED + THIRD / HALF for slope in raw)
    return Step(at, (before + after) / fitted - WINDOW, before, after, slopes, (steady[0], steady[1]))


def _clipped(slope: float, period: int) -> float:
    return min(max(slope, period * (1 - FITTED)), period * (1 + FITTED))


def _told(times: list[int], run: list[Step], period: int) -> tuple[int, int] | None:
    first, last = run[0], run[-1]
    heard: list[tuple[float, float]] = []
    heard_at = None
    for one in run:
        if heard_at is None or one.at - heard_at >= 100:
            heard.append(_rhythm(times[one.at - WINDOW : one.at + 2 * WINDOW], period))
            heard_at = one.at
    frames = last.at - first.at + WINDOW
    own = fmean(period for _, period in heard) if frames > 100 else (first.slopes[0] + last.slopes[1]) / 2
    elapsed = times[last.at] - times[first.at]
    missing = (elapsed + first.before + last.after) / own - frames
    count = round(missing)
    if count < 1 or (count > 0.2 * frames and elapsed > 1_000_000_000):
        return None
    is_steady = first.steady[0] and last.steady[1]
    if is_steady and frames <= 100 and abs(missing - count) >= THIRD:
        return None
    if not (is_steady and frames <= 150) and fmean(kept for kept, _ in heard) <= 0.25:
        return None
    best = max(run, key=lambda one: one.step)
    gap = times[best.at] - times[best.at - 1]
    is_at_best = is_steady and frames <= 100 and (count == 1 or round(gap / period) > count)
    return (best.at if is_at_best else first.at), count


def _rhythm(times: list[int], period: int) -> tuple[float, float]:
    tried = [1 + number * FITTED / 40 for number in range(-40, 41)]
    kept = []
    for factor in tried:
        turns = [(time - times[0]) / (period * factor) for time in times]
        kept.append(round(abs(sum(exp(2j * pi * turn) for turn in turns)) / len(turns), 6))
    best = max(range(len(kept)), key=lambda i: (kept[i], -i))
    return kept[best], period * tried[best]
