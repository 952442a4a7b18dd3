"""Reads a statement's workbook with openpyxl, another program's eye: real numbers and dates, a header that stays, sums as formulas that agree.

    python tests/reference/statement.py STATEMENT.xlsx STATEMENT.json

The JSON is the same statement as the service answers it. ISO/IEC 29500-1:2016, 18.3.1: cells, formulas with their last results, panes.
"""

import datetime as dt
import json
import re
import sys
from decimal import Decimal

from openpyxl import load_workbook

path, answered = sys.argv[1:]
with open(answered, encoding="utf-8") as file:
    said = json.load(file, parse_float=Decimal)
formulas = load_workbook(path)
results = load_workbook(path, data_only=True)
assert formulas.sheetnames == ["Statement", "Lots", "Where it is"], formulas.sheetnames


def milligrams(value):
    """A cell's grams as whole milligrams; it must be a number and nothing finer."""
    assert isinstance(value, (int, float)), value
    exact = Decimal(repr(value)) * 1000
    assert abs(exact - round(exact)) < Decimal("0.001"), value
    return round(exact)


def checked_sums(sheet):
    """Every SUM of a sheet gives what its last result says; how many there are."""
    found = 0
    for row in formulas[sheet].iter_rows():
        for cell in row:
            if not (isinstance(cell.value, str) and cell.value.startswith("=SUM(")):
                continue
            area = re.fullmatch(r"=SUM\(([A-Z]+\d+:[A-Z]+\d+)\)", cell.value).group(1)
            cells = [each.value for line in results[sheet][area] for each in line if each.value is not None]
            assert sum(map(milligrams, cells)) == milligrams(results[sheet][cell.coordinate].value), cell.coordinate
            found += 1
    return found


for sheet in formulas.sheetnames:
    assert formulas[sheet].freeze_panes == "A2", sheet
    assert checked_sums(sheet) > 0, sheet

lines = results["Statement"]
heads = [cell.value for cell in lines[1]]
column = {head: index for index, head in enumerate(heads)}
rows = list(lines.iter_rows(min_row=2, values_only=True))
opening, body, closing = rows[0], rows[1:-1], rows[-1]
assert len(body) == len(said["lines"])
balance = milligrams(opening[column["In store g"]])
assert balance == round(said["carried_g"] * 1000)
for row, line in zip(body, said["lines"]):
    assert isinstance(row[column["Day"]], dt.datetime) and row[column["Day"]].date().isoformat() == line["day"], row
    assert isinstance(row[column["Happened (UTC)"]], dt.datetime)
    assert milligrams(row[column["Change g"]]) == round(line["change_g"] * 1000)
    balance += milligrams(row[column["Change g"]])
    assert balance == milligrams(row[column["In store g"]]) == round(line["balance_g"] * 1000)
    if line["batch"]:
        assert milligrams(row[column["Weighed in g"]]) == round(line["batch"]["charge_g"] * 1000)
        assert abs(row[column["Loss"]] - float(line["batch"]["loss"])) < 1e-9
assert balance == milligrams(closing[column["In store g"]]) == round(said["closing_g"] * 1000)

lots = results["Lots"]
last = list(lots.iter_rows(values_only=True))[-1]
assert milligrams(last[2]) == round(said["opening_g"] * 1000) and milligrams(last[-1]) == round(said["closing_g"] * 1000)
places = list(results["Where it is"].iter_rows(min_row=2, values_only=True))
assert sum(milligrams(mass) for _, mass in places[:-1]) == 0 == milligrams(places[-1][1])

# A person's text stays text, whatever it begins with.
typed = [cell for sheet in formulas.sheetnames for row in formulas[sheet].iter_rows() for cell in row if cell.data_type == "f"]
assert all(re.fullmatch(r"=SUM\([A-Z]+\d+:[A-Z]+\d+\)|=E2\+D\d+", cell.value) for cell in typed), [cell.value for cell in typed]
