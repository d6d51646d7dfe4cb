"""Rounding of declared values at every border, against the published tables.

GUIDE: European Commission, guidance on tolerances for nutrient values declared on a label, December 2012, Table 4.
CFR: US Code of Federal Regulations, Title 21, 101.9(c), and FDA Food Labeling Guide, Appendix H (2009).
"""

from datetime import date

import pytest

from analysis.label import load_rulebook

DAY = date(2026, 5, 31)

# nutrient, amount, words on the pot
GUIDE_TABLE_4 = [
    # fat, carbohydrate, sugars, protein: 0.5 and 10 are the borders
    *[
        (nutrient, amount, words)
        for nutrient in ("fat", "carbohydrate", "sugars", "protein")
        for amount, words in (
            (0.0, "<0.5 g"), (0.49, "<0.5 g"), (0.5, "<0.5 g"), (0.51, "0.5 g"), (6.44, "6.4 g"), (6.45, "6.5 g"),
            (9.94, "9.9 g"), (9.95, "10 g"), (9.96, "10 g"), (10.0, "10 g"), (10.4, "10 g"), (10.49, "10 g"),
            (10.5, "11 g"),
            (41.5, "42 g"),
        )
    ],
    *[
        ("saturates", amount, words)
        for amount, words in (
            (0.09, "<0.1 g"), (0.1, "<0.1 g"), (0.11, "0.1 g"), (0.14, "0.1 g"), (0.15, "0.2 g"), (9.94, "9.9 g"),
            (9.95, "10 g"),
            (10.0, "10 g"), (10.5, "11 g"),
        )
    ],
    *[
        ("salt", amount, words)
        for amount, words in (
            (0.0124, "<0.01 g"), (0.0125, "<0.01 g"), (0.0126, "0.01 g"), (0.128, "0.13 g"), (0.125, "0.13 g"),
            (0.994, "0.99 g"),
            (0.995, "1.0 g"), (1.0, "1.0 g"), (1.04, "1.0 g"), (1.05, "1.1 g"),
        )
    ],
    *[("energy_kj", amount, words) for amount, words in ((410.4, "410 kJ"), (410.5, "411 kJ"), (407.36, "407 kJ"))],
    *[("energy_kcal", amount, words) for amount, words in ((97.49, "97 kcal"), (97.5, "98 kcal"), (97.72, "98 kcal"))],
    *[
        ("calcium", amount, words)
        for amount, words in ((163.4, "163 mg"), (163.5, "164 mg"), (99.94, "99.9 mg"), (99.95, "100 mg"),
        (1234.0, "1230 mg"))
    ],
]  # fmt: skip

CFR_101_9 = [
    *[
        ("energy", amount, words)
        for amount, words in (
            (4.9, "0 kcal"), (5.0, "5 kcal"), (7.4, "5 kcal"), (7.5, "10 kcal"), (50.0, "50 kcal"), (50.1, "50 kcal"),
            (54.9, "50 kcal"), (55.0, "60 kcal"), (167.28, "170 kcal"), (166.68, "170 kcal"),
        )
    ],
    *[
        (nutrient, amount, words)
        for nutrient in ("fat", "saturates")
        for amount, words in (
            (0.49, "0 g"), (0.5, "0.5 g"), (0.74, "0.5 g"), (0.75, "1.0 g"), (4.74, "4.5 g"), (4.75, "5 g"),
            (5.0, "5 g"),
            (5.49, "5 g"), (5.5, "6 g"), (10.88, "11 g"), (7.31, "7 g"),
        )
    ],
    *[
        ("sodium", amount, words)
        for amount, words in (
            (4.9, "0 mg"), (5.0, "5 mg"), (85.0, "85 mg"), (87.4, "85 mg"), (87.5, "90 mg"), (140.0, "140 mg"),
            (140.1, "140 mg"),
            (144.9, "140 mg"), (145.0, "150 mg"),
        )
    ],
    *[
        (nutrient, amount, words)
        for nutrient in ("carbohydrate", "sugars", "protein")
        for amount, words in (
            (0.49, "0 g"), (0.5, "less than 1 g"), (0.99, "less than 1 g"), (1.0, "1 g"), (1.49, "1 g"), (1.5, "2 g"),
            (7.48, "7 g"), (9.86, "10 g"),
        )
    ],
    *[("calcium", amount, words) for amount, words in ((289.0, "290 mg"), (284.9, "280 mg"), (285.0, "290 mg"))],
]  # fmt: skip


@pytest.mark.parametrize("rules", ["eu", "gb"])
@pytest.mark.parametrize(("line", "amount", "words"), GUIDE_TABLE_4)
def test_the_guidance_rounds_so(rules, line, amount, words):
    found = load_rulebook(rules, DAY).line(line)
    assert found.rounding.print(amount, found.unit) == words


@pytest.mark.parametrize(("line", "amount", "words"), CFR_101_9)
def test_the_code_of_federal_regulations_rounds_so(line, amount, words):
    found = load_rulebook("us", DAY).line(line)
    assert found.rounding.print(amount, found.unit) == words


def test_half_goes_up_in_decimal_arithmetic_where_binary_rounding_goes_down():
    fat = load_rulebook("eu", DAY).line("fat")
    # 2.675 has no exact binary form and round(2.675, 2) is 2.67; 6.35 and 0.15 likewise.
    assert [str(fat.rounding(amount)) for amount in (6.35, 5.65, 2.25)] == ["6.4", "5.7", "2.3"]
    # 0.1 x 64.5 is 6.450000000000001 and 4.35 x 1.0 = 4.35 in binary below: neither tail moves the result.
    assert str(fat.rounding(0.1 * 64.5)) == "6.5"
    assert str(fat.rounding(6.4499999999999996)) == "6.5"
