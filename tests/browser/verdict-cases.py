"""Writes verdict-cases.json: ranges and verdicts computed with 40 decimal digits, apart from the code of the pages.

    y = ln(out/in); m = mean_log_yield; S = variance + (1/12 + repeatability^2)((d_in/g)^2 + (d_out/r)^2)
    lo, hi = 1 - exp(m +- quantile*spread*sqrt(S)); mean = 1 - exp(m + S/2)

Run: python3 verdict-cases.py > verdict-cases.json
"""
import json
from decimal import Decimal as D, getcontext

getcontext().prec = 40


def case(mean_log_yield, variance, quantile, spread, d_in, d_out, repeatability, green, roasted):
    m, v, q, c, rep = (D(x) for x in (mean_log_yield, variance, quantile, spread, repeatability))
    g, r = D(green), D(roasted)
    s = v + (1 / D(12) + rep * rep) * ((D(d_in) / g) ** 2 + (D(d_out) / r) ** 2)
    half = q * c * s.sqrt()
    lo, hi, mean, loss = 1 - (m + half).exp(), 1 - (m - half).exp(), 1 - (m + s / 2).exp(), 1 - r / g
    if loss <= 0 or loss < D("0.04") or loss > D("0.30"):
        judgement = "impossible"
    else:
        judgement = "more" if loss > hi else "less" if loss < lo else "ok"
    card = {"lot": "l", "lot_name": "L", "mean_log_yield": float(m), "variance": float(v), "quantile": float(q), "spread": float(c),
            "green_division_g": float(d_in), "roasted_division_g": float(d_out), "repeatability": float(rep), "alpha": 0.0027,
            "expected": {"mean": 0, "lo": 0, "hi": 0}, "state_key": "k"}
    want = {"loss": float(loss), "mean": float(mean), "lo": float(lo), "hi": float(hi), "judgement": judgement}
    return {"card": card, "green_g": float(g), "roasted_g": float(r), "want": want}


CASES = [
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "10240"),
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "9900"),
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "10560"),
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "12100"),
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "8200"),
    case("-0.158", "0.00004", "3.0", "1", "20", "10", "0.3", "12000", "11600"),
    case("-0.2009", "0.000625", "4.28", "1.07", "20", "20", "0.3", "2500", "2040"),
    case("-0.12", "0.0000009", "3.1", "1", "50", "50", "0.5", "1000", "870"),
    case("-0.165", "0.00031", "3.05", "1.02", "22.68", "11.34", "0.3", "6803.886", "5760.623"),
]
print(json.dumps(CASES, indent=1))
