#!/usr/bin/env python3
"""Makes tests/fixtures/verdicts.json: ranges and judgements that server and tablet must both compute.

    pip install mpmath==1.3.0 && python3 tests/reference/verdicts.py > tests/fixtures/verdicts.json

Worked out with 40 digits from the formula alone (no code of the program): with y = ln(out/in), mean m and
S = variance + readings (1/12 + 0.3^2) (division_in/in)^2 + (1/12 + 0.3^2) (division_out/out)^2,
the range of the loss is 1 - exp(m +- quantile spread sqrt(S)). A loss outside 0.04 to 0.30 is impossible.
"""
import json
import random

from mpmath import exp, mp, mpf, sqrt

mp.dps = 40
READING = mpf(1) / 12 + mpf("0.09")


def case(rng):
    style = rng.choice([0.12, 0.15, 0.18, 0.205])
    green = rng.choice([500, 2400, 6000, 11840, 12000, 24500])
    division_in, division_out = rng.choice([(2, 1), (20, 20), (20, 10), (50, 50)])
    m = round(float(mp.log(1 - mpf(style))) + rng.gauss(0, 0.004), 9)
    variance = round(rng.uniform(2e-6, 9e-5), 12)
    quantile, spread = round(rng.uniform(2.9, 5.5), 9), rng.choice([1.0, 0.93])
    offset = rng.choice([0, 0, 0.4, -0.6, 2.5, -3.0, 6.0, -6.5, 40.0])
    roasted = round(green * float(exp(mpf(m))) * (1 + offset * variance**0.5), 1)
    if rng.random() < 0.1:
        roasted = round(green * 1.02, 1)
    s = mpf(variance) + READING * ((mpf(division_in) / green) ** 2 + (mpf(division_out) / mpf(roasted)) ** 2)
    reach = mpf(quantile) * mpf(spread) * sqrt(s)
    lo, hi = 1 - exp(mpf(m) + reach), 1 - exp(mpf(m) - reach)
    loss = 1 - mpf(roasted) / green
    possible = mpf("0.04") <= loss <= mpf("0.30")
    judgement = "impossible" if not possible else "more" if loss > hi else "less" if loss < lo else "ok"
    return {
        "mean_log_yield": m, "variance": variance, "quantile": quantile, "spread": spread,
        "green_division_g": division_in, "roasted_division_g": division_out, "repeatability": 0.3,
        "green_g": green, "roasted_g": roasted,
        "loss": float(loss), "lo": float(lo), "hi": float(hi), "judgement": judgement,
    }


if __name__ == "__main__":
    rng = random.Random(20260914)
    print(json.dumps([case(rng) for _ in range(60)], indent=1))
