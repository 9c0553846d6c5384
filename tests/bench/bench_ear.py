"""How true the thresholds are that a run of the exercises tells, by simulated listeners.

    python tests/bench/bench_ear.py [--runs 300] [--trials 50]

Each listener (`support.listeners`) has a known threshold, hears gently or steeply (the power of the impression), and
lapses in no or in 3 % of the trials, and then guesses or is wrong. Printed for each: the bias of the fitted threshold
(mean of its logarithm), its spread, how often the stated 90 % interval holds the truth; beside it the bias of the mean
of the staircase's reversals. At the end what all together come to. Prints figures, asserts nothing.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.listeners import Hears

from bridge.ear.course import BEGINS_CENTS, LEAST_CENTS
from bridge.ear.fit import Answered, fit_threshold
from bridge.ear.staircase import Staircase
from bridge.ear.trials import MOST_CENTS


def percent(log: float) -> float:
    return 100 * (float(np.exp(log)) - 1)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--trials", type=int, default=50)
    wanted = parser.parse_args()
    began_s, fits = time.perf_counter(), 0
    biases, holds = [], []
    print("exercise  threshold  power  lapses        bias  spread  holds  wide    reversals")
    for exercise, thresholds in (("still", (1.0, 3.0, 8.0)), ("wide", (8.0, 15.0, 25.0))):
        for threshold in thresholds:
            for power in (1.0, 1.5, 2.0):
                for lapses, lucky in ((0.0, 0.0), (0.03, 0.5), (0.03, 0.0)):
                    listener, off, turned, held, wide = Hears(threshold, power, lapses, lucky), [], [], 0, []
                    for seed in range(wanted.runs):
                        random = np.random.default_rng(seed)
                        stairs = Staircase(BEGINS_CENTS[exercise], LEAST_CENTS, MOST_CENTS)
                        answers = []
                        for _ in range(wanted.trials):
                            answers.append(Answered(stairs.cents, listener.right(stairs.cents, random)))
                            stairs.answer(answers[-1].right)
                        found = fit_threshold(answers)
                        assert found is not None
                        fits += 1
                        off.append(np.log(found.cents / threshold))
                        held += found.low_cents <= threshold <= found.high_cents
                        wide.append(found.high_cents / found.low_cents)
                        turned.append(np.mean(np.log(stairs.reversals or [stairs.cents])) - np.log(threshold))
                    kind = "wrong" if lapses and not lucky else "guess"
                    biases.append(np.mean(off))
                    holds.append(held / wanted.runs)
                    print(
                        f"{exercise:8}  {threshold:7.1f} c  {power:5}  {lapses:4.2f} {kind}"
                        f"  {percent(biases[-1]):+5.1f} %  {np.std(off):6.2f}"
                        f"  {100 * holds[-1]:3.0f} %  x {np.median(wide):.1f}"
                        f"  {percent(np.mean(turned)):+8.1f} %",
                        flush=True,
                    )
    spread = f"{percent(min(biases)):+.1f} to {percent(max(biases)):+.1f} %"
    print(f"bias: {spread}, over all {percent(np.mean(biases)):+.1f} % (asked: within 12 %)")
    print(
        f"the 90 % interval holds the truth in {100 * min(holds):.0f} to {100 * max(holds):.0f} of 100, "
        f"over all {100 * np.mean(holds):.1f} (asked: 85 to 95)"
    )
    print(f"{1000 * (time.perf_counter() - began_s) / fits:.1f} ms for a run and its fit")


if __name__ == "__main__":
    main()
