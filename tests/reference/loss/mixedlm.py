"""The learner's variance components and speed beside statsmodels MixedLM, in one run.

    python mixedlm.py            fits the stored batches with MixedLM, runs the learner's bench on the same file, prints both
    python mixedlm.py --write    makes the batches anew first, and stores MixedLM's answers for the test

800 batches of 16 lots, moisture known exactly, scales without error, one noise sd: styles fixed, lots random, by REML.
"""
import csv, json, math, os, re, subprocess, sys, tempfile, time, warnings

import pandas as pd
import statsmodels
import statsmodels.formula.api as smf

import simulate

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.join(HERE, "..", "..", "..")
DATA = os.path.join(ROOT, "tests", "loss", "data")


def make(path):
    c = {**simulate.DEFAULT, "seed": 77, "batches": 800, "roasters": {"one": dict(charge=60000, share=1, d_in=1, d_out=1)}, "s_delivery": 0.0,
         "moisture_known": 1.0, "meter_sd": 1e-6, "noise": {"filter": .004, "omni": .004, "espresso": .004}, "grades": [["A"]], "s_lot": 0.006}
    rows, shifts, _ = simulate.simulate(c)
    with tempfile.TemporaryDirectory() as t:
        simulate.write(rows, shifts, c, t)
        with open(f"{t}/batches.csv") as f, open(path, "w") as g:
            g.write(f.read())


def fit(path):
    df = pd.read_csv(path)
    df["y"] = (df.roasted_g / df.green_g).map(math.log) - df.moisture.map(lambda w: math.log1p(-w))
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        r = smf.mixedlm("y ~ 0 + style", df, groups="lot").fit(reml=True, gtol=1e-12)
    seconds = time.perf_counter() - start
    return dict(lot_sd=math.sqrt(float(r.cov_re.iloc[0, 0])), noise_sd=math.sqrt(r.scale), batches=len(df), lots=int(df.lot.nunique()),
                source=f"statsmodels {statsmodels.__version__}, mixedlm('y ~ 0 + style', groups='lot'), reml"), seconds


def main():
    path = os.path.join(DATA, "mixedlm.csv")
    if "--write" in sys.argv:
        make(path)
    answer, seconds = fit(path)
    if "--write" in sys.argv:
        json.dump(answer, open(os.path.join(DATA, "mixedlm.json"), "w"), indent=1)
    print(json.dumps(answer, indent=1))
    print(f"statsmodels MixedLM: {seconds * 1000:.0f} ms for one fit")
    out = subprocess.run(["cargo", "bench", "--bench", "loss", "mixedlm"], cwd=ROOT, capture_output=True, text=True).stdout
    print("the learner:", " ".join(line for line in out.splitlines() if re.search("reml_of_mixedlm", line)) or "run `cargo bench --bench loss mixedlm`")


if __name__ == "__main__":
    main()
