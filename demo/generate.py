#!/usr/bin/env python3
"""Makes the history of the demo: seven months of a roastery that does not exist.

    python3 demo/generate.py [FOLDER]        writes into FOLDER (default: the folder of this file)

It reads roastery.json, deliveries.csv and lots.csv, which are written by hand, and makes every other CSV file.
The same seed gives the same bytes. Only the standard library is used; of `random` only random(), whose
sequence for a seed is promised to stay the same from one Python to the next.

What is true of the made world, all on the scale of log-yield = ln(roasted / green): every style, roaster, delivery
and lot has an effect of its own, green dries as it ages, and every batch has its own noise. Scales round and
repeat within 0.3 of a division. On top come the mistakes of MISTAKES and the slipped scale of SLIP.
"""
import csv
import json
import math
import random
import sys
from collections import Counter, defaultdict
from datetime import date, datetime, timedelta
from pathlib import Path

SEED = 20260914
HERE = Path(__file__).resolve().parent
FIRST_WEEK, WEEKS = date(2026, 2, 16), 30
REFERENCE_MOISTURE = 0.108          # the moisture at which the nominal loss of a style is stated
REPEATABILITY = 0.3                 # standard deviation of a scale, in divisions
SD_STYLE, SD_ROASTER, SD_DELIVERY, SD_LOT = 0.010, 0.004, 0.004, 0.004
NOISE = {"filter": 0.0035, "omni": 0.0040, "espresso": 0.0045}
AGEING_PER_30_DAYS = 0.0012         # log-yield gained, and store mass lost, as the green dries
SLIP = ("Wren", date(2026, 6, 22), date(2026, 7, 24), -0.008)   # its roasted scale reads 0.8 % light
STARTS_NOTED_FROM = date(2026, 8, 31)   # before, nobody tapped when a batch went into the drum
ONE_DAY = timedelta(days=1)
SMALLEST_CHARGE_G = 1500
KEPT_REST_G = {"Mbarisa-1 PB": 1180}    # a rest too small for any drum, left standing on the book

# (week, coffee, how many batches of it before in that week): what was typed wrong, on which side, what became of it
MISTAKES = {
    (3, "Veredo", 2): ("kilo", "roasted", "corrected"),
    (5, "Quelmada", 1): ("swap", "roasted", "corrected"),
    (7, "Tesfara", 1): ("crate", "roasted", "corrected"),
    (9, "Mbarisa AA", 1): ("crate", "green", "set_aside"),
    (12, "Veredo", 4): ("swap", "green", "corrected"),
    (14, "Lunara decaf", 0): ("kilo", "green", "corrected"),
    (16, "Quelmada", 3): ("crate", "roasted", "corrected"),
    (21, "Veredo", 1): ("crate", "green", "corrected"),
    (23, "Mbarisa peaberry", 1): ("swap", "roasted", "corrected"),
    (25, "Quelmada", 2): ("kilo", "roasted", "corrected"),
    (27, "Tesfara", 0): ("swap", "green", "corrected"),
    (28, "Umbral", 0): ("swap", "roasted", "corrected"),
    (29, "Veredo", 6): ("crate", "roasted", "open"),
    (29, "Mbarisa AA", 1): ("swap", "roasted", "open"),
}
WHY = {
    "kilo": "One kilogram off: the display was misread",
    "swap": "Two digits changed places",
    "crate": "The crate was not taken off",
}
SCRAPPED = (8, "Veredo", 3)
RECKONED = (13, "Lunara decaf", 1)
UNDONE = {(4, "Quelmada", 0), (18, "Mbarisa AA", 0)}
WEIGHED_TOGETHER = {6, 19, 28}      # weeks in which two batches of a run on the Wren went over the scale at once

CUSTOMERS = [  # name, ships on, days under way, priority, first week, bags of an ordinary week
    ("Café Lanternim", "Wed", 1, 2, {"Harbour blend espresso 1 kg": 14, "Tesfara filter 250 g": 12}),
    ("Padaria Sete Fornilhos", "Wed", 1, 2, {"Harbour blend espresso 1 kg": 18}),
    ("Hotel Vale Sornel", "Wed", 1, 3, {"Harbour blend espresso 1 kg": 16, "Lunara decaf omni 250 g": 12,
                                        "Quelmada omni 1 kg": 6}),
    ("Dorneval School", "Wed", 2, 2, {"Harbour blend espresso 1 kg": 22, "Quelmada omni 1 kg": 10}),
    ("Café Ondrelo", "Wed", 1, 1, {"Harbour blend espresso 1 kg": 12, "Veredo espresso 1 kg": 14,
                                   "Lunara decaf omni 250 g": 10}),
    ("Kiosk Marolvo", "Fri", 1, 1, {"Veredo espresso 1 kg": 12}),
    ("Bistro Pelicorne", "Fri", 1, 2, {"Harbour blend espresso 1 kg": 14, "Mbarisa AA filter 250 g": 10}),
    ("Mercearia Ondalva", "Fri", 2, 2, {"Quelmada omni 250 g": 24, "Tesfara filter 250 g": 20,
                                        "Mbarisa AA filter 250 g": 20, "Mbarisa peaberry filter 250 g": 16,
                                        "Harbour blend espresso 250 g": 24, "Lunara decaf omni 250 g": 12}),
    ("Café Tramelo", "Fri", 2, 1, {"Veredo espresso 1 kg": 16, "Quelmada omni 1 kg": 8}),
    ("Livraria Quarzel", "Fri", 2, 1, {"Tesfara filter 250 g": 16, "Mbarisa peaberry filter 250 g": 10,
                                       "Umbral filter 250 g": 6}),
    ("Skarnholm Kaffe", "Fri", 6, 2, {"Mbarisa AA filter 250 g": 24, "Mbarisa peaberry filter 250 g": 20,
                                      "Umbral filter 250 g": 10, "Quelmada omni 250 g": 36}),
]
FIRST_WEEK_OF = {"Umbral filter 250 g": 25}     # sold from the week after its delivery on
FAIR = ("Feira de Sornel", date(2026, 9, 18), 1, 1, [("Tesfara filter 250 g", 14), ("Umbral filter 250 g", 12)])
SUBSCRIBERS = 260
DESTINATIONS = ["Mainland"] * 7 + ["Islands"] * 2 + ["Northern countries"] * 2 + ["Overseas"]


class Dice:
    """Chance made from random.random() alone, so that a seed means the same everywhere."""

    def __init__(self, seed):
        self.random = random.Random(seed).random

    def normal(self, sd):
        return sd * math.sqrt(-2 * math.log(1 - self.random())) * math.cos(2 * math.pi * self.random())

    def between(self, low, high):
        return low + (high - low) * self.random()

    def chance(self, p):
        return self.random() < p

    def one_of(self, things):
        return things[int(self.random() * len(things))]


class Scale:
    """A scale as roastery.json describes it, and what a person reads from it."""

    def __init__(self, fields, dice):
        self.unit_g = {"kg": 1000, "g": 1}[fields["unit"]]
        self.division, self.dice = fields["division_g"], dice
        self.containers = {c["name"]: c["tare_g"] for c in fields["containers"]}

    def read(self, mass_g):
        """The mass in grams as the display shows it."""
        return round((mass_g + self.dice.normal(REPEATABILITY * self.division)) / self.division) * self.division

    def text(self, gross_g):
        return f"{gross_g / 1000:.2f}" if self.unit_g == 1000 else str(round(gross_g))

    def grams(self, text):
        return round(float(text) * self.unit_g)


class Weight:
    """One reading as it was typed: the text, the container that was taken off, and what it should have been."""

    def __init__(self, scale, net_g, container):
        self.scale, self.container, self.right_g = scale, container, net_g
        self.text = scale.text(net_g + scale.containers[container])
        self.recorded_container = container

    @property
    def net_g(self):
        return self.scale.grams(self.text) - self.scale.containers.get(self.recorded_container, 0)

    def spoil(self, kind, sign):
        if kind == "crate":
            self.recorded_container = ""
        elif kind == "kilo":
            self.text = self.scale.text(self.scale.grams(self.text) + sign * 1000)
        else:
            self.text = swapped(self)


def swapped(weight):
    """The text with two neighbouring digits exchanged: the exchange nearest to a twentieth of the mass."""
    text, right = weight.text, weight.right_g
    digits = [i for i, c in enumerate(text) if c.isdigit()]
    options = []
    for i, j in zip(digits, digits[1:]):
        t = list(text)
        t[i], t[j] = t[j], t[i]
        change = abs(weight.scale.grams("".join(t)) - weight.scale.grams(text)) / right
        if change > 0:
            options.append((abs(math.log(change / 0.05)), "".join(t)))
    return min(options)[1]


class Lot:
    def __init__(self, row, delivery, dice):
        self.name, self.coffee, self.delivery = row["name"], row["coffee"], row["delivery"]
        self.packing, self.rank = row["packing"], int(row["use_rank"])
        self.nominal_g = round(int(row["sacks"]) * float(row["sack_kg"]) * 1000 + float(row["loose_kg"]) * 1000)
        self.received = datetime.fromisoformat(delivery["received"]) if delivery["received"] else None
        self.on_hold = bool(delivery["hold"])
        self.book_g, self.true_g, self.done = 0, 0.0, False
        self.effect = dice.normal(SD_LOT)
        self.moisture = None

    def usable_g(self):
        return min(self.book_g, self.true_g) - KEPT_REST_G.get(self.name, 0)

    def age(self, day):
        return (day - self.received.date()).days / 30


class World:
    """Everything that happens, week by week, and the ledgers that keep the made book possible."""

    def __init__(self):
        self.dice = Dice(SEED)
        self.setup = json.loads((HERE / "roastery.json").read_text(encoding="utf-8"))
        self.roasters = {r["name"]: r for r in self.setup["roasters"]}
        self.scales = {s["name"]: Scale(s, self.dice) for s in self.setup["scales"]}
        self.products = {p["name"]: p for p in self.setup["products"]}
        self.overfill_g = self.setup["site"]["overfill_g"]
        self.rows = defaultdict(list)
        self.batches, self.packed_orders, self.order_number = [], [], 0
        self.roasted = defaultdict(list)        # (coffee, style) -> [[day, grams]]: what may be packed, oldest first
        self.set_effects()
        self.make_lots()

    def set_effects(self):
        d = self.dice
        self.style = {s["name"]: math.log1p(-s["nominal_loss"]) - math.log1p(-REFERENCE_MOISTURE) + d.normal(SD_STYLE)
                      for s in self.setup["styles"]}
        self.roaster_effect = {name: d.normal(SD_ROASTER) for name in self.roasters}

    def make_lots(self):
        deliveries = {r["reference"]: r for r in read("deliveries.csv")}
        self.lots = [Lot(row, deliveries[row["delivery"]], self.dice) for row in read("lots.csv")]
        for name, delivery in deliveries.items():
            lots = [lot for lot in self.lots if lot.delivery == name]
            effect, moisture = self.dice.normal(SD_DELIVERY), 0.108 + self.dice.normal(0.006)
            if lots[0].on_hold:
                moisture = 0.132
            for lot in lots:
                lot.moisture = moisture + self.dice.normal(0.0015)
                lot.effect += effect
                if lot.received:
                    self.receive(lot)

    def receive(self, lot):
        at = lot.received + 10 * timedelta(minutes=len(self.rows["receipts"]) % 6)
        lot.book_g, lot.true_g = lot.nominal_g, lot.nominal_g * (1 + self.dice.normal(0.0008) - 0.0002)
        self.rows["receipts"].append([stamp(at), lot.delivery, lot.name, "Barn"])
        if lot.name != "Mbarisa-1 PB":          # one lot was never measured: its siblings' delivery speaks for it
            reading = round(lot.moisture + self.dice.normal(0.002), 3)
            self.rows["moisture"].append([stamp(at + timedelta(hours=1)), lot.name, lot.received.date(), reading, 0.003])
        self.sample_green(lot, at + timedelta(hours=2), 350, "Arrival sample roast")

    def sample_green(self, lot, at, grams, purpose):
        lot.book_g -= grams
        lot.true_g -= grams
        self.rows["samples"].append([stamp(at), lot.name, "Barn", "", grams, purpose])

    # Orders

    def week_orders(self, week, share=1.0):
        monday = FIRST_WEEK + 7 * week * ONE_DAY
        season = 0.94 + 0.08 * math.sin(2 * math.pi * (week - 6) / 30)
        orders = []
        for name, ships, transit, priority, usual in CUSTOMERS:
            if not self.dice.chance(share):
                continue
            lines = [(p, max(1, round(n * season * self.dice.between(0.8, 1.2)))) for p, n in usual.items()
                     if week >= FIRST_WEEK_OF.get(p, 0)]
            day = monday + {"Wed": 2, "Fri": 4}[ships] * ONE_DAY
            orders.append((self.next_number(), name, day, transit, priority, lines))
        return sorted(orders, key=lambda o: o[2])

    def next_number(self):
        self.order_number += 1
        return f"T{self.order_number:04d}"

    def write_orders(self, orders):
        for number, name, day, transit, priority, lines in orders:
            for product, bags in lines:
                self.rows["orders"].append([number, name, day, transit, priority, product, bags])

    def subscribers(self):
        dice = Dice(SEED + 1)           # chance of its own, so that the number of subscribers changes nothing else
        for i in range(1, SUBSCRIBERS + 1):
            bags = dice.one_of([1, 1, 1, 1, 2, 2, 2, 3, 3, 4, 5, 6])
            gift = "2026-08-31" if i % 37 == 0 else "2026-12-31" if i % 23 == 0 else ""
            paused = "2026-09" if i % 29 == 0 else ""
            unwanted = dice.one_of(["Umbral", "Mbarisa peaberry"]) if i % 19 == 0 else ""
            start = "2026-10-01" if i % 61 == 0 else dice.one_of(["2026-03-01", "2026-05-01", "2026-08-01"])
            self.rows["subscribers"].append([f"S{i:04d}", f"Subscriber {i:04d}", bags, "filter",
                                             dice.one_of(DESTINATIONS), start, gift, paused, unwanted])

    def demand(self, orders):
        """Roasted grams of each (coffee, style) that the orders of one ship day take."""
        need = Counter()
        for order in orders:
            for product, bags in order[5]:
                p = self.products[product]
                for coffee, share in p["parts"].items():
                    need[coffee, p["style"]] += bags * (p["bag_g"] + self.overfill_g) * share
        return need

    # Roasting

    def week(self, week):
        monday = FIRST_WEEK + 7 * week * ONE_DAY
        orders = self.week_orders(week)
        self.write_orders(orders)
        self.count_of_coffee, self.week_number, self.day_plan = Counter(), week, defaultdict(list)
        for offset in (2, 4):
            ship_day = monday + offset * ONE_DAY
            for pool, grams in sorted(self.demand([o for o in orders if o[2] == ship_day]).items()):
                self.roast_for(pool, grams, ship_day)
        for (day, roaster), batches in sorted(self.day_plan.items()):
            self.put_on_the_clock(day, roaster, batches)
        for offset in (2, 4):
            self.pack_and_ship([o for o in orders if o[2] == monday + offset * ONE_DAY], monday + offset * ONE_DAY)

    def roast_for(self, pool, grams, ship_day):
        """Roast until what may be packed of `pool` covers `grams` with a little to spare."""
        self.promised = getattr(self, "promised", Counter())
        coffee, style = pool
        self.promised[pool] += grams
        wanted = self.promised[pool] * 1.012 + 250
        while (missing := wanted - sum(g for _, g in self.roasted[pool])) > 0:
            roaster = self.roasters[self.drum_for(coffee, style, missing)]
            day = self.roasting_day(roaster, style, ship_day)
            self.charge(coffee, style, roaster, day, missing)

    def drum_for(self, coffee, style, missing):
        small = coffee not in ("Veredo", "Quelmada") and not (coffee == "Tesfara" and self.week_number % 3 == 1)
        return "Wren" if small or missing < 5000 * 0.87 else "Ox"

    def roasting_day(self, roaster, style, ship_day):
        """A day on which the roaster works and which leaves the style its rest before the ship day."""
        rest = {"filter": 1, "omni": 1, "espresso": 2}[style]
        days = [ship_day - back * ONE_DAY for back in range(rest, rest + 3)]
        monday = FIRST_WEEK + 7 * self.week_number * ONE_DAY
        free = [d for d in days if d >= monday and f"{d:%a}" in roaster["hours"] and self.has_room(d, roaster)]
        if len(free) > 1 and self.dice.chance(0.3):
            return free[1]
        return free[0]

    def has_room(self, day, roaster):
        opening, closing = (datetime.fromisoformat(f"{day}T{t}") for t in roaster["hours"][f"{day:%a}"])
        batches = self.day_plan[day, roaster["name"]]
        streams = len({(b["lot"].name, b["style"]) for b in batches}) + 1
        used = roaster["startup_min"] + (len(batches) + 2) * roaster["cycle_min"] + streams * roaster["changeover_min"]
        return used <= (closing - opening).total_seconds() / 60

    def open_lot(self, coffee, day):
        lots = [x for x in self.lots if x.coffee == coffee and x.received and not x.on_hold and not x.done
                and x.received.date() < day]
        best = min(x.rank for x in lots)
        twins = [x for x in lots if x.delivery == min(lots, key=lambda x: x.rank).delivery]
        return self.dice.one_of(twins) if len(twins) > 1 else next(x for x in lots if x.rank == best)

    def charge(self, coffee, style, roaster, day, missing):
        """One batch: as much as is still missing asks for, as the drum and the rest of the lot allow."""
        lot = self.open_lot(coffee, day)
        usable = int(lot.usable_g())
        if usable < roaster["min_charge_g"]:
            roaster = self.roasters["Wren"]
        low, high, step = roaster["min_charge_g"], roaster["max_charge_g"], roaster["step_g"]
        green = missing / 0.84
        count = math.ceil(green / high)
        mass = min(high, max(low, math.ceil(green / count / step) * step))
        if usable - mass < SMALLEST_CHARGE_G:
            mass = usable if usable <= high else min(mass, usable - SMALLEST_CHARGE_G)
        division = self.scales[roaster["green_scale"]].division
        self.batch(lot, style, roaster, day, mass // division * division)
        if lot.usable_g() < SMALLEST_CHARGE_G:
            lot.done = True
            if lot.name not in KEPT_REST_G:
                self.rows["used-ups"].append([f"{day}T16:00", lot.name, "Barn"])
                lot.book_g = lot.true_g = 0

    def batch(self, lot, style, roaster, day, target_g):
        key = (self.week_number, lot.coffee, self.count_of_coffee[lot.coffee])
        self.count_of_coffee[lot.coffee] += 1
        green_scale, roasted_scale = self.scales[roaster["green_scale"]], self.scales[roaster["roasted_scale"]]
        if self.dice.chance(0.12) and target_g + 2 * green_scale.division <= min(roaster["max_charge_g"], lot.usable_g()):
            target_g += self.dice.one_of([-2, -1, 1, 2]) * green_scale.division
        green_true = target_g + self.dice.between(-0.5, 0.5) * green_scale.division
        b = {"lot": lot, "style": style, "roaster": roaster["name"], "day": day, "key": key, "sample_g": 0,
             "green": Weight(green_scale, target_g, self.dice.one_of(sorted(green_scale.containers))),
             "kind": "", "side": "", "fate": "", "with": None, "slip": self.slip(roaster["name"], day)}
        b["log_yield"] = (math.log1p(-lot.moisture) + self.style[style] + self.roaster_effect[roaster["name"]]
                          + lot.effect + AGEING_PER_30_DAYS * lot.age(day) + b["slip"])
        roasted = green_true * math.exp(b["log_yield"] + self.dice.normal(NOISE[style]))
        if roaster["name"] == "Ox" and self.dice.chance(0.02):
            b["sample_g"] = 80
        self.weigh_out(b, roasted_scale, roasted - b["sample_g"])
        lot.true_g -= green_true
        self.settle(b)
        self.day_plan[day, roaster["name"]].append(b)
        self.batches.append(b)

    def slip(self, roaster, day):
        name, first, last, size = SLIP
        return size if roaster == name and first <= day <= last else 0.0

    def weigh_out(self, b, scale, mass_g):
        b["roasted"] = Weight(scale, scale.read(mass_g), sorted(scale.containers)[0])
        if b["key"] in MISTAKES:
            b["kind"], b["side"], b["fate"] = MISTAKES[b["key"]]
            b[b["side"]].spoil(b["kind"], self.dice.one_of([-1, 1]))
        elif b["key"] == SCRAPPED:
            b["kind"] = "scrapped"
        elif b["key"] == RECKONED:
            b["kind"] = "reckoned"

    def settle(self, b):
        """What the book has of the batch in the end, and what of it may be packed."""
        righted = b["fate"] == "corrected"
        b["lot"].book_g -= b["green"].right_g if righted else b["green"].net_g
        if b["kind"] == "scrapped" or b["fate"] == "open":
            return
        roasted = b["roasted"].right_g if righted else b["roasted"].net_g
        if b["kind"] == "reckoned":
            roasted = round(b["green"].net_g * 0.85 / 10) * 10
            b["reckoned_g"] = roasted
        if not b["kind"] and self.dice.chance(0.06):
            b["taken"] = self.dice.one_of([("samples", 60, "Cupping"), ("wastes", 140, "Quakers sorted out")])
            roasted -= b["taken"][1]
        self.roasted[b["lot"].coffee, b["style"]].append([b["day"], roasted])

    # The clock

    def put_on_the_clock(self, day, roaster_name, batches):
        """Give the batches of one roaster and day their times: light styles first, a run together."""
        roaster = self.roasters[roaster_name]
        shade = {s["name"]: s["shade"] for s in self.setup["styles"]}
        batches.sort(key=lambda b: (shade[b["style"]], b["lot"].name))
        opening, closing = (datetime.fromisoformat(f"{day}T{t}") for t in roaster["hours"][f"{day:%a}"])
        at, before = opening + timedelta(minutes=roaster["startup_min"]), None
        for i, b in enumerate(batches):
            if before and (before["lot"], before["style"]) != (b["lot"], b["style"]):
                at += timedelta(minutes=roaster["changeover_min"])
            lead = 6 if i else int(self.dice.between(8, 20))
            b["weighed_in"], b["started"] = at - timedelta(minutes=lead), at
            b["weighed_out"] = at + timedelta(minutes=roaster["cycle_min"] - int(self.dice.between(1, 3)))
            at, before = at + timedelta(minutes=roaster["cycle_min"]), b
        assert at <= closing, (day, roaster_name, at)
        if roaster_name == "Wren" and self.week_number in WEIGHED_TOGETHER:
            self.weigh_two_together(batches)

    def weigh_two_together(self, batches):
        for a, b in zip(batches, batches[1:]):
            plain = not (a["kind"] or b["kind"] or a["sample_g"] or b["sample_g"] or a["with"])
            if plain and (a["lot"], a["style"]) == (b["lot"], b["style"]):
                b["with"], both = a, a["roasted"].right_g + b["roasted"].right_g
                scale = a["roasted"].scale
                a["roasted"] = Weight(scale, both, sorted(scale.containers)[0])
                a["weighed_out"] = b["weighed_out"]
                return

    # Packing and shipping

    def pack_and_ship(self, orders, day):
        at = datetime.fromisoformat(f"{day}T09:00")
        for number, _, _, _, _, lines in orders:
            for product, bags in lines:
                self.take(product, bags, day)
                self.rows["packings"].append([stamp(at), product, bags, number])
                at += timedelta(minutes=2)
        leaves = datetime.fromisoformat(f"{day}T14:30")
        for i, order in enumerate(orders):
            self.rows["shipments"].append([stamp(leaves + timedelta(minutes=i)), order[0]])

    def take(self, product, bags, day):
        p = self.products[product]
        for coffee, share in p["parts"].items():
            pool, grams = (coffee, p["style"]), bags * (p["bag_g"] + self.overfill_g) * share
            self.promised[pool] -= grams
            while grams > 0:
                assert self.roasted[pool], f"{pool} runs out on {day}"
                roasted_on, there = self.roasted[pool][0]
                assert roasted_on < day
                drawn = min(there, grams)
                grams -= drawn
                if drawn == there:
                    self.roasted[pool].pop(0)
                else:
                    self.roasted[pool][0][1] -= drawn

    # Everything else that a roastery writes down

    def small_happenings(self):
        by_name = {x.name: x for x in self.lots}
        for at, name, grams, why in [("2026-03-11T15:10", "Veredo-1 17/18", 640, "A sack tore on the stairs"),
                                     ("2026-05-27T15:40", "Quelmada-2", 420, "Spilled at the hopper, swept up"),
                                     ("2026-08-19T11:50", "Veredo-2 17/18", 300, "Stones and husk picked out")]:
            lot = by_name[name]
            lot.book_g -= grams
            lot.true_g -= grams
            self.rows["wastes"].append([at, name, "Barn", "", grams, why])
        for at, name, grams in [("2026-05-04T15:00", "Mbarisa-1 AA", 250), ("2026-06-29T15:00", "Quelmada-2", 900)]:
            by_name[name].book_g -= grams
            self.rows["dryings"].append([at, name, "Barn", grams, "Dried since it came: two sacks weighed again"])

    def count(self, week):
        """Counts Mbarisa-1 AA at the end of `week`: what really stands there, in one go over the big scale."""
        lot = next(x for x in self.lots if x.name == "Mbarisa-1 AA")
        aged_g = lot.nominal_g * AGEING_PER_30_DAYS * lot.age(FIRST_WEEK + 7 * week * ONE_DAY) * 0.5
        lot.true_g -= aged_g
        scale, left = self.scales["Ox green"], lot.true_g
        at = f"{FIRST_WEEK + (7 * week + 4) * ONE_DAY}T16:10"
        lot.book_g = 0
        while left > 0:
            weight = Weight(scale, scale.read(min(left, 50000)), "red crate")
            self.rows["counts"].append([at, lot.name, "Barn", "Ox green", weight.text, "red crate"])
            left -= 50000
            lot.book_g += weight.net_g

    def write_batches(self):
        self.batches.sort(key=lambda b: (b["weighed_in"], b["roaster"]))
        number = 0
        for b in self.batches:
            if b["key"] in UNDONE:
                number += 1
                at = b["weighed_in"] - timedelta(minutes=2)
                self.rows["batches"].append([number, b["roaster"], b["lot"].name, b["style"], "Barn", stamp(at),
                                             b["green"].text, b["green"].recorded_container, "", "", "", "", ""])
                self.rows["undos"].append([stamp(at + timedelta(minutes=1)), number, "Tipped back: the sack was the wrong one"])
            number += 1
            b["number"] = number
        for b in self.batches:
            self.write_batch(b)
        self.rows["batches"].sort(key=lambda row: row[0])

    def write_batch(self, b):
        out = ["", "", "", ""]
        started = stamp(b["started"]) if b["day"] >= STARTS_NOTED_FROM else ""
        if b["with"]:
            out = ["", "", "", b["with"]["number"]]
        elif b["kind"] == "reckoned":
            out = [stamp(b["weighed_out"]), b["reckoned_g"], "reckoned", ""]
        elif b["kind"] == "scrapped":
            self.rows["scraps"].append([stamp(b["weighed_out"]), b["number"], "Power cut: the drum stood still"])
        else:
            out = [stamp(b["weighed_out"]), b["roasted"].text, b["roasted"].recorded_container, ""]
        self.rows["batches"].append([b["number"], b["roaster"], b["lot"].name, b["style"], "Barn", stamp(b["weighed_in"]),
                                     b["green"].text, b["green"].recorded_container, started] + out)
        if b["sample_g"]:
            at = b["started"] + timedelta(minutes=11)
            self.rows["samples"].append([stamp(at), "", "", b["number"], b["sample_g"], "From the trier, before weighing"])
        if "taken" in b:
            kind, grams, why = b["taken"]
            self.rows[kind].append([f"{b['day']}T13:40", "", "", b["number"], grams, why])
        self.write_fate(b)
        self.write_truth(b)

    def write_fate(self, b):
        evening = f"{b['day']}T14:"
        if b["fate"] == "corrected":
            green, roasted = (b[b["side"]].right_g if b["side"] == side else "" for side in ("green", "roasted"))
            self.rows["corrections"].append([evening + "10", b["number"], green, roasted, WHY[b["kind"]]])
            self.rows["cuppings"].append([evening + "20", b["number"], "pass", "Weight put right, cupped: as it should be"])
        elif b["fate"] == "set_aside":
            self.rows["reviews"].append([evening + "10", b["number"], "set_aside", "Nobody can say what was weighed"])
            self.rows["cuppings"].append([evening + "20", b["number"], "pass", "Cupped: as it should be"])
        elif b["fate"] == "open":
            self.rows["cuppings"].append([evening + "20", b["number"], "leave", "To be looked into on Monday"])

    def write_truth(self, b):
        weighed = b["kind"] not in ("scrapped", "reckoned") and not b["with"] and not any(
            o["with"] is b for o in self.batches[max(0, b["number"] - 6):b["number"] + 6])
        typed, right = (b["roasted"].net_g, b["roasted"].right_g) if weighed else ("", "")
        self.rows["truth"].append([b["number"], b["kind"], b["side"], b["fate"], b["green"].net_g, typed,
                                   b["green"].right_g, right, b["sample_g"], b["slip"] or "", f"{b['log_yield']:.6f}",
                                   NOISE[b["style"]]])

    def write_closings(self):
        for month in range(2, 9):
            last = date(2026, month + 1, 1) - ONE_DAY
            self.rows["closings"].append([f"{last + 3 * ONE_DAY}T17:00", last])

    def write_ship_days(self):
        for week in range(WEEKS + 3):
            for offset in (2, 4):
                day = FIRST_WEEK + (7 * week + offset) * ONE_DAY
                self.rows["ship-days"].append([day, day, "15:00", ""])

    def run(self):
        self.write_ship_days()
        self.write_closings()
        for week in range(WEEKS):
            if week == 4:
                self.small_happenings()
            self.week(week)
            if week == 13:
                self.count(week)
        coming = self.week_orders(WEEKS)
        self.write_orders(coming)
        self.write_orders([(self.next_number(), *FAIR)])
        self.subscribers()
        self.write_orders(self.week_orders(WEEKS + 1, share=0.7))
        self.write_batches()
        for lot in self.lots:
            self.rows["truth-stock"].append([lot.name, lot.book_g if lot.received else 0])


COLUMNS = {
    "ship-days": "day,packing_day,carrier_at,note",
    "orders": "order,customer,ship_day,transit_days,priority,product,bags",
    "subscribers": "number,name,bags,style,destination,start,prepaid_until,paused,left_out",
    "receipts": "at,delivery,lot,storeroom",
    "moisture": "at,lot,day,fraction,sd",
    "batches": "number,roaster,lot,style,storeroom,weighed_in_at,green_gross,green_container,started_at,"
               "weighed_out_at,roasted_gross,roasted_container,weighed_with",
    "undos": "at,batch,reason",
    "scraps": "at,batch,reason",
    "corrections": "at,batch,green_g,roasted_g,reason",
    "reviews": "at,batch,finding,reason",
    "cuppings": "at,batch,decision,reason",
    "samples": "at,lot,storeroom,batch,mass_g,purpose",
    "wastes": "at,lot,storeroom,batch,mass_g,reason",
    "dryings": "at,lot,storeroom,mass_g,reason",
    "counts": "at,lot,storeroom,scale,gross,container",
    "used-ups": "at,lot,storeroom",
    "packings": "at,product,bags,order",
    "shipments": "at,order",
    "closings": "at,to_day",
    "truth": "batch,kind,side,fate,typed_green_g,typed_roasted_g,right_green_g,right_roasted_g,sample_g,slip,"
             "true_log_yield,noise_sd",
    "truth-stock": "lot,store_g",
}


def read(name):
    with open(HERE / name, newline="", encoding="utf-8") as f:
        return list(csv.DictReader(f))


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M")


def main(folder):
    world = World()
    world.run()
    for name, columns in COLUMNS.items():
        rows = world.rows[name]
        if columns.startswith("at,"):
            rows.sort(key=lambda row: row[0])
        with open(folder / f"{name}.csv", "w", newline="", encoding="utf-8") as f:
            writer = csv.writer(f, lineterminator="\n")
            writer.writerow(columns.split(","))
            writer.writerows(rows)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
