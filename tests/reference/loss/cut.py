"""Cuts the first rows of simulated histories, with the truth that the tests need, into tests/loss/data.

    python simulate.py scenarios.json WORK first-year dirty && python oracle.py truth WORK/first-year && python oracle.py truth WORK/dirty
    python cut.py WORK
"""
import os, sys

import pandas as pd

HERE = os.path.dirname(os.path.abspath(__file__))
DATA = os.path.join(HERE, "..", "..", "loss", "data")

for name, rows in (("first-year", 600), ("dirty", 1500)):
    b = pd.read_csv(f"{sys.argv[1]}/{name}/batches.csv", dtype=str, keep_default_na=False).head(rows)
    t = pd.read_csv(f"{sys.argv[1]}/{name}/truth.csv", dtype=str, keep_default_na=False).head(rows)
    b.to_csv(f"{DATA}/{name}.csv", index=False, lineterminator="\n")
    t[["batch_id", "kind", "shift", "right_green_g", "right_roasted_g", "oracle_mean", "oracle_sd"]].to_csv(f"{DATA}/{name}-truth.csv", index=False, lineterminator="\n")
