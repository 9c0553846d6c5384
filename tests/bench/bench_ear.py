"""How true the thresholds are that a run of the exercises tells, by simulated listeners.

    python tests/bench/bench_ear.py [--runs 400] [--trials 55]

Each listener (`support.listeners`) has a known threshold, hears gently or steeply (the power of the impression), and
lapses in no or in 3 % of the trials, and then guesses or is wrong. Below them stand others that the limits are not
made for: other thresholds, beginnings, slopes, shapes. Printed for each: the bias of the fitted threshold (mean of its
logarithm), its spread, how often the stated 90 % interval holds the truth; beside it the bias of the mean of the
staircase's reversals.

It fails where a listener's bias is beyond 12 % by more than chance allows (two standard errors of its runs), where all
together are beyond 6 %, or where the interval is true in fewer than 85 or more than 95 of 100: of all together, or of
one listener (two standard errors again). With 2000 runs of each, chance allows 1 to 2 %.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.listeners import Hears, answered

from bridge.ear.asked import TRIALS
from bridge.ear.course import BEGINS_CENTS, LEAST_CENTS
from bridge.ear.fit import fit_threshold
from bridge.ear.staircase import Staircase
from bridge.ear.trials import MOST_CENTS

MOST_BIAS = 0.12
LEAST_HELD, MOST_HELD = 0.85, 0.95


def percent(log: float) -> float:
    return 100 * (float(np.exp(log)) - 1)


Case = tuple[str, float, float, Hears]
"""The exercise's name, where its staircase begins, the threshold, and who listens."""

LAPSING = ((0.0, 0.5), (0.03, 0.5), (0.03, 0.0))


def asked() -> list[Case]:
    return [
        (exercise, BEGINS_CENTS[exercise], threshold, Hears(threshold, power, *lapsing))
        for exercise, thresholds in (("still", (1.0, 3.0, 8.0)), ("wide", (8.0, 15.0, 25.0)))
        for threshold in thresholds
        for power in (1.0, 1.5, 2.0)
        for lapsing in LAPSING
    ]


def others() -> list[Case]:
    found: list[Case] = []
    for lapsing in LAPSING:
        found += [
            ("still", 21.5, 0.5, Hears(0.5, 1.2, *lapsing)),
            ("still", 50.0, 5.0, Hears(5.0, 1.7, *lapsing)),
        ]
        found += [
            ("wide", 12.0, 10.0, Hears(10.0, 1.3, *lapsing)),
            ("wide", 40.0, 4.0, Hears(4.0, 1.8, *lapsing)),
        ]
        found += [("still", 21.5, 3.0, Hears(3.0, power, *lapsing)) for power in (0.8, 2.5)]
        # Weibull's slope that goes with a power of 1.5, and one for logistic.
        found += [("still", 21.5, 2.0, Hears(2.0, 1.8, *lapsing, shape="weibull"))]
        found += [("wide", 40.0, 12.0, Hears(12.0, 2.2, *lapsing, shape="logistic"))]
    return found


class Figures(NamedTuple):
    bias: float
    spread: float
    holds: float
    wide: float
    reversals: float


def measure(case: Case, runs: int, trials: int, first_seed: int) -> Figures:
    _, begins_cents, threshold, listener = case
    off, turned, wide, held = [], [], [], 0
    for seed in range(first_seed, first_seed + runs):
        stairs = Staircase(begins_cents, LEAST_CENTS, MOST_CENTS)
        found = fit_threshold(answered(listener, stairs, seed, trials))
        assert found is not None
        off.append(np.log(found.cents / threshold))
        held += found.low_cents <= threshold <= found.high_cents
        wide.append(found.high_cents / found.low_cents)
        turned.append(np.mean(np.log(stairs.reversals or [stairs.cents])) - np.log(threshold))
    return Figures(
        float(np.mean(off)), float(np.std(off)), held / runs, float(np.median(wide)), float(np.mean(turned))
    )


def line(case: Case, of: Figures) -> str:
    exercise, begins, threshold, who = case
    kind = "-" if not who.lapses else "guess" if who.lapsed_right else "wrong"
    return (
        f"{exercise:8}  {begins:4g}  {threshold:7.1f} c  {who.shape:8} {who.power:4}  {who.lapses:4.2f} {kind:5}"
        f"  {percent(of.bias):+5.1f} %  {of.spread:6.2f}  {100 * of.holds:3.0f} %  x {of.wide:.1f}"
        f"  {percent(of.reversals):+8.1f} %"
    )


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--trials", type=int, default=TRIALS)
    wanted = parser.parse_args()
    began_s = time.perf_counter()
    print("exercise  from  threshold    hears          lapses        bias  spread  holds  wide   reversals")
    failed, fits = [], 0
    for name, cases, must in (("asked", asked(), True), ("others", others(), False)):
        figures = []
        for number, case in enumerate(cases):
            # Every listener has luck of its own, or one lucky series would stand for all.
            figures.append(measure(case, wanted.runs, wanted.trials, number * wanted.runs))
            print(line(case, figures[-1]), flush=True)
        fits += len(cases) * wanted.runs
        biases, holds = [one.bias for one in figures], [one.holds for one in figures]
        mean_bias, mean_holds = float(np.mean(biases)), float(np.mean(holds))
        print(
            f"{name}: bias {percent(min(biases)):+.1f} to {percent(max(biases)):+.1f} %, over all "
            f"{percent(mean_bias):+.1f} %; the 90 % interval holds the truth in {100 * min(holds):.1f} to "
            f"{100 * max(holds):.1f} of 100, over all {100 * mean_holds:.1f}"
        )
        if not must:
            continue
        for case, one in zip(cases, figures, strict=True):
            if abs(one.bias) > np.log(1 + MOST_BIAS) + 2 * one.spread / wanted.runs**0.5:
                failed.append("bias: " + line(case, one))
            least, most = (
                edge + way * 2 * (edge * (1 - edge) / wanted.runs) ** 0.5
                for edge, way in ((LEAST_HELD, -1), (MOST_HELD, +1))
            )
            if not least <= one.holds <= most:
                failed.append("interval: " + line(case, one))
        if abs(mean_bias) > 0.06:
            failed.append(f"the bias over all is {percent(mean_bias):+.1f} %")
        if not LEAST_HELD <= mean_holds <= MOST_HELD:
            failed.append(f"over all the interval is true in {100 * mean_holds:.1f} of 100")
    print(f"{1000 * (time.perf_counter() - began_s) / fits:.1f} ms for a run and its fit")
    for text in failed:
        print(f"FAILED {text}")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
