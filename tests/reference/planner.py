"""Plans the same instances with `outturn plan` and with a general solver (HiGHS), in one run: levels side by side and how long each took.

    python3 tests/reference/planner.py PROGRAM [INSTANCE.json ...] [--seconds 20]

PROGRAM is the outturn that is measured. Without instances: the smaller ones in tests/planner/data/stored. The solver takes one level after the
other, each held at its value before the next; a level that it did not prove within the seconds is marked "~". Exit 1: a plan of the program is
worse than what was proved.

Mass is in kilograms inside the solver, so that its tolerances stay far below a gram; charges are whole numbers of steps.
"""

import argparse
import json
import math
import subprocess
import sys
import time
from pathlib import Path

import highspy

STORED = Path(__file__).parent.parent / "planner" / "data" / "stored"
SMALLER = ["tiny-1", "tiny-2", "tiny-3", "small-1", "small-2", "small-3", "tight-capacity-1"]
LEVELS = ["L1_weighted_short_g", "L2_roaster_min", "L3_stranded_g", "L4_rank_weighted_green_g", "L5_age_g_days"]
NEAR = [0.01, 0.5, 0.5, 0.5, 0.1]
# Slack by which a level is held, within what the levels are compared to: minutes and grams are whole.
HELD = [5e-6, 0.4, 4e-4, 4e-4, 0.0]
INF = highspy.kHighsInf


class Model:
    """The plan of one instance as a mixed-integer program."""

    def __init__(self, instance):
        self.instance = instance
        self.days = instance["days"]
        self.roasters = {r["id"]: r for r in instance["roasters"]}
        self.lots = {l["id"]: l for l in instance["lots"]}
        self.items = [j for j in instance["demand"] if j["roasted_g"] > 0]
        self.pinned = instance.get("pinned", [])
        self.solver = highspy.Highs()
        self.solver.silent()
        self.solver.setOptionValue("threads", 1)
        self.solver.setOptionValue("mip_rel_gap", 0.0)
        self.solver.setOptionValue("mip_abs_gap", 1e-7)
        self.solver.setOptionValue("mip_feasibility_tolerance", 1e-7)
        self.solver.setOptionValue("primal_feasibility_tolerance", 1e-8)
        self.columns = 0
        self.levels = [{} for _ in LEVELS]
        self.constant = [0.0] * len(LEVELS)
        self.streams = {}
        self.starts = {}
        self.sources = {}
        self.shorts = {}
        self.build()

    def column(self, upper, whole=False, lower=0.0):
        self.solver.addVar(lower, upper)
        if whole:
            self.solver.changeColIntegrality(self.columns, highspy.HighsVarType.kInteger)
        self.columns += 1
        return self.columns - 1

    def row(self, lower, terms, upper):
        merged = {}
        for column, factor in terms:
            merged[column] = merged.get(column, 0.0) + factor
        self.solver.addRow(lower, upper, len(merged), list(merged), list(merged.values()))

    def limits(self, roaster, lot):
        own = [c for c in lot.get("charge_limits", []) if c["roaster"] == roaster["id"]]
        low, high = (own or [roaster])[0]["min_charge_g"], (own or [roaster])[0]["max_charge_g"]
        step = roaster["charge_step_g"]
        return -(-low // step) * step, high // step * step

    def fraction(self, roaster, lot, style):
        """The planning yield, or None where the roaster may not roast the style or the lot."""
        if roaster.get("styles") is not None and style not in roaster["styles"]:
            return None
        lines = [y for y in lot["yields"] if y["style"] == style and y.get("roaster") in (None, roaster["id"])]
        lines.sort(key=lambda y: y.get("roaster") is None)
        return lines[0]["yield"] if lines else None

    def build(self):
        self.pins()
        wanted = {(j["coffee"], j["style"]) for j in self.items}
        for r in self.roasters.values():
            for l in self.lots.values():
                for style in sorted({s for c, s in wanted if c == l["coffee"]}):
                    self.stream(r, l, style)
        self.minutes()
        self.green()
        self.flows()

    def pins(self):
        """What the pinned batches take and make, and which change-overs and start-ups they pay."""
        self.pinned_green = dict.fromkeys(self.lots, 0)
        self.pinned_minutes, self.pinned_made = {}, {}
        self.paid = {(b["roaster"], b["day"], b["lot"], b["style"]) for b in self.pinned}
        self.lit = {(b["roaster"], b["day"]) for b in self.pinned}
        for b in self.pinned:
            r, lot = self.roasters[b["roaster"]], self.lots[b["lot"]]
            day = (b["roaster"], b["day"])
            self.pinned_green[b["lot"]] += b["charge_g"]
            self.pinned_minutes[day] = self.pinned_minutes.get(day, 0) + r["cycle_min"]
            made = (b["day"], b["lot"], b["style"])
            self.pinned_made[made] = self.pinned_made.get(made, 0) + b["charge_g"] * self.fraction(r, lot, b["style"])
        for roaster, day, *_ in self.paid:
            self.pinned_minutes[roaster, day] += self.roasters[roaster]["changeover_min"]
        for roaster, day in self.lit:
            self.pinned_minutes[roaster, day] += self.startup(self.roasters[roaster], day)

    @staticmethod
    def startup(roaster, day):
        return 0 if day in roaster.get("hot_days", []) else roaster["startup_min"]

    def stream(self, r, lot, style):
        fraction = self.fraction(r, lot, style)
        least, most = self.limits(r, lot)
        green = lot["available_g"] - self.pinned_green[lot["id"]]
        if fraction is None or least > most or green < least:
            return
        step = r["charge_step_g"]
        for day in range(lot.get("available_from_day", 0), self.days):
            batches = min(r["available_min"][day] // r["cycle_min"], green // least)
            key = (r["id"], day, lot["id"], style)
            if batches <= 0 or not any(self.may_serve(day, lot["id"], style, j) for j in self.items):
                continue
            n, steps = self.column(batches, whole=True), self.column(min(green, batches * most) // step, whole=True)
            used = None if key in self.paid else self.column(1, whole=True)
            self.row(0, [(steps, 1), (n, -(least // step))], INF)
            self.row(-INF, [(steps, 1), (n, -(most // step))], 0)
            if used is not None:
                self.row(-INF, [(n, 1), (used, -batches)], 0)
                if (r["id"], day) not in self.lit:
                    start = self.start(r["id"], day)
                    self.row(-INF, [(used, 1), (start, -1)], 0)
            self.streams[key] = (n, steps, used, step, fraction, most)

    def start(self, roaster, day):
        if (roaster, day) not in self.starts:
            self.starts[roaster, day] = self.column(1, whole=True)
        return self.starts[roaster, day]

    def may_serve(self, day, lot, style, item):
        return (
            item["coffee"] == self.lots[lot]["coffee"]
            and item["style"] == style
            and item["roast_from_day"] <= day <= item["roast_to_day"]
            and lot in item.get("lots", [lot])
        )

    def minutes(self):
        crew = {}
        for r in self.roasters.values():
            for day in range(self.days):
                terms = []
                for key, (n, _, used, *_) in self.streams.items():
                    if key[:2] == (r["id"], day):
                        terms.append((n, r["cycle_min"]))
                        if used is not None:
                            terms.append((used, r["changeover_min"]))
                if (r["id"], day) in self.starts:
                    terms.append((self.starts[r["id"], day], self.startup(r, day)))
                taken = self.pinned_minutes.get((r["id"], day), 0)
                self.row(-INF, terms, r["available_min"][day] - taken)
                self.add(1, terms, taken)
                crew.setdefault(day, [[], 0])
                crew[day][0].extend(terms)
                crew[day][1] += taken
        for day, minutes in enumerate(self.instance.get("crew_min", [])):
            self.row(-INF, crew[day][0], minutes - crew[day][1])

    def add(self, level, terms, constant=0.0):
        for column, factor in terms:
            self.levels[level][column] = self.levels[level].get(column, 0.0) + factor
        self.constant[level] += constant

    def green(self):
        for lot in self.lots.values():
            charge = [(s[1], s[3] / 1000) for key, s in self.streams.items() if key[2] == lot["id"]]
            pinned, green = self.pinned_green[lot["id"]] / 1000, lot["available_g"] / 1000
            self.row(-INF, charge, green - pinned)
            ranks = sorted({l["rank"] for l in self.lots.values() if l["coffee"] == lot["coffee"]})
            weight = 20 + ranks.index(lot["rank"])
            self.add(3, [(c, weight * f) for c, f in charge], weight * pinned)
            self.stranded(lot, charge, green - pinned)

    def stranded(self, lot, charge, left):
        """The rest is dust, stranded or large enough for a batch; only a stranded rest counts."""
        able = [r for r in self.roasters.values() if any(self.fraction(r, lot, y["style"]) for y in lot["yields"])]
        if not able:
            return
        legal = [low for low, high in (self.limits(r, lot) for r in able) if low <= high]
        tail, dust = min(legal, default=0) / 1000, (min(r["charge_step_g"] for r in able) - 1) / 1000
        if not charge:
            self.constant[2] += left if dust < left < tail else 0.0
            return
        is_dust, is_stranded, is_enough = (self.column(1, whole=True) for _ in range(3))
        counted = self.column(max(tail, 0.0))
        rest = [(c, -f) for c, f in charge]
        self.row(1, [(is_dust, 1), (is_stranded, 1), (is_enough, 1)], 1)
        self.row(-INF, rest + [(is_dust, -dust), (is_stranded, -(tail - 0.001)), (is_enough, -left)], -left)
        self.row(-left, rest + [(is_enough, -tail)], INF)
        self.row(left, [(counted, 1)] + [(c, f) for c, f in charge] + [(is_dust, dust), (is_enough, left)], INF)
        self.add(2, [(counted, 1.0)])

    def flows(self):
        made = {}
        for (_, day, lot, style), (_, steps, _, step, fraction, _) in self.streams.items():
            made.setdefault((day, lot, style), [[], 0.0])[0].append((steps, step * fraction / 1000))
        for key, mass in self.pinned_made.items():
            made.setdefault(key, [[], 0.0])[1] += mass / 1000
        for n, stock in enumerate(self.instance.get("roasted_stock", [])):
            made[stock["roasted_day"], stock["lot"], stock["style"], n] = [[], stock["mass_g"] / 1000]
        served = {j["id"]: [] for j in self.items}
        for (day, lot, style, *_), (output, fixed) in made.items():
            given = []
            for item in self.items:
                if self.may_serve(day, lot, style, item):
                    flow = self.column(item["roasted_g"] / 1000)
                    given.append((flow, 1.0))
                    served[item["id"]].append((flow, 1.0))
                    self.add(4, [(flow, item["ship_day"] - day)])
            if given:
                self.row(-INF, given + [(c, -f) for c, f in output], fixed)
        self.hopeless = 0.0
        for item in self.items:
            mass = item["roasted_g"] / 1000
            short = self.column(mass)
            self.shorts[item["id"]] = short
            self.row(mass, served[item["id"]] + [(short, 1.0)], mass)
            self.add(0, [(short, item["priority"])])
            self.hopeless += 0.0 if served[item["id"]] else item["priority"] * mass

    def whole_batches(self, short):
        """Once `short` weighted kilograms are given: batches of a family inside a span of days, counted in units of any full batch's
        output and rounded up on both sides (Chvatal 1973, Gomory 1958)."""
        for coffee, style in sorted({(j["coffee"], j["style"]) for j in self.items}):
            items = [j for j in self.items if (j["coffee"], j["style"]) == (coffee, style)]
            streams = [(k, s) for k, s in self.streams.items() if k[3] == style and self.lots[k[2]]["coffee"] == coffee]
            items = [j for j in items if any(self.may_serve(k[1], k[2], style, j) for k, _ in streams)]
            stock = sum(s["mass_g"] / 1000 for s in self.instance.get("roasted_stock", []) if s["style"] == style and self.lots[s["lot"]]["coffee"] == coffee)
            stock += sum(m / 1000 for (_, lot, k), m in self.pinned_made.items() if k == style and self.lots[lot]["coffee"] == coffee)
            for first in {max(0, j["roast_from_day"]) for j in items}:
                for last in {j["roast_to_day"] for j in items}:
                    inside = [j for j in items if max(0, j["roast_from_day"]) >= first and j["roast_to_day"] <= last]
                    if inside:
                        need = sum(j["roasted_g"] for j in inside) / 1000 - stock - short / min(j["priority"] for j in inside)
                        self.cut(need, [s for k, s in streams if first <= k[1] <= last])

    def cut(self, need, streams):
        if need <= 1e-6:
            return
        for full in {round(s[5] * s[4] / 1000, 7) for s in streams}:
            terms = [(s[0], math.ceil(s[5] * s[4] / 1000 / full - 1e-7)) for s in streams]
            self.row(math.ceil(need / full - 1e-6), terms, INF)

    def solve(self, seconds):
        """Value, whether proved, and seconds of each level."""
        found = []
        for level, terms in enumerate(self.levels):
            begin = time.monotonic()
            for column in range(self.columns):
                self.solver.changeColCost(column, terms.get(column, 0.0))
            self.solver.setOptionValue("time_limit", self.solver.getRunTime() + seconds)
            self.solver.run()
            if self.solver.getInfo().primal_solution_status != 2:
                return found
            value = self.solver.getInfo().objective_function_value
            proved = self.solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
            found.append((value + self.constant[level], proved, time.monotonic() - begin))
            self.row(-INF, list(terms.items()), value + HELD[level])
            if level == 0:
                self.whole_batches(max(0.0, value - self.hopeless) + HELD[0])
        return found


def in_the_plans_units(found):
    """Kilograms as grams; minutes as they are."""
    return [value * (1 if n == 1 else 1000) for n, (value, _, _) in enumerate(found)]


def planned(program, path):
    begin = time.monotonic()
    out = subprocess.run([program, "plan", path], capture_output=True, text=True, check=True).stdout
    seconds = time.monotonic() - begin
    levels = json.loads(out)["levels"]
    return [levels[name] for name in LEVELS], seconds


def verdict(ours, theirs, proved):
    """Ours against theirs at the first level that differs, and whether ours is worse than something proved."""
    for n, (a, b) in enumerate(zip(ours, theirs)):
        if a > b + NEAR[n]:
            return f"L{n + 1} worse by {100 * (a - b) / max(b, 1e-9):.2f} %", all(proved[: n + 1])
        if a < b - NEAR[n]:
            return f"L{n + 1} better by {100 * (b - a) / max(b, 1e-9):.2f} %", False
    return "equal" if len(theirs) == len(ours) else "equal as far as solved", False


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("program")
    arguments.add_argument("instances", nargs="*")
    arguments.add_argument("--seconds", type=float, default=20)
    asked = arguments.parse_args()
    behind = 0
    highspy.Highs()  # says its version before the table begins
    print("| instance | solver: L1 kg, L2 min, L3 kg, L4 kg, L5 kg days | plan | solver s | plan s | ratio |")
    print("| --- | --- | --- | --- | --- | --- |")
    for path in asked.instances or [STORED / f"{name}.json" for name in SMALLER]:
        instance = json.loads(Path(path).read_text())
        ours, quick = planned(asked.program, path)
        found = Model(instance).solve(asked.seconds)
        theirs, slow = in_the_plans_units(found), sum(s for _, _, s in found)
        word, worse = verdict(ours, theirs, [proved for _, proved, _ in found])
        behind += worse
        shown = ", ".join(f"{v if n == 1 else v / 1000:.{0 if n == 1 else 1}f}{'' if found[n][1] else ' ~'}" for n, v in enumerate(theirs))
        print(f"| {instance['name']} | {shown} | {word} | {slow:.1f} | {quick:.3f} | {slow / quick:.0f} |", flush=True)
    return 1 if behind else 0


if __name__ == "__main__":
    sys.exit(main())
