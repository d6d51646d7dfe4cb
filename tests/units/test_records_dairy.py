"""dairy.toml: what is wrong names the key, what was found and what was expected."""

from datetime import date

import pytest

from analysis.records.dairy import read_dairy
from analysis.records.findings import CannotDo
from tests.zoo import DAIRY

WRONG = {
    "no name": (
        DAIRY.replace('name = "Test', 'nam = "Test'),
        r"key name is missing, expected the dairy's name.*is \"nam\" meant",
    ),
    "no usual": (DAIRY.replace("[usual]", "[usal]"), r"key usual is missing"),
    "part of usual": (DAIRY.replace("set_min", "set_mins"), r"key usual.set_min is missing.*\"set_mins\""),
    "text for a number": (DAIRY.replace("pot_g = 200.0", 'pot_g = "200"'), r"key pot_g must be a number.*found '200'"),
    "truth for a number": (DAIRY.replace("pot_g = 200.0", "pot_g = true"), r"key pot_g must be a number"),
    "negative pot": (DAIRY.replace("pot_g = 200.0", "pot_g = -1"), r"key pot_g must be above 0"),
    "not a number": (DAIRY.replace("pot_g = 200.0", "pot_g = nan"), r"key pot_g must be an ordinary number"),
    "rules as a word": (DAIRY.replace('["eu"]', '"eu"'), r"key rules must be a list in square brackets"),
    "no rules": (DAIRY.replace('["eu"]', "[]"), r"key rules must hold at least 1"),
    "flock called bulk": (DAIRY.replace('id = "hill"', 'id = "bulk"'), r"key flocks\[1\].id must not be \"bulk\""),
    "two flocks alike": (DAIRY.replace('id = "brook"', 'id = "hill"'), r'two flocks have the id "hill"'),
    "latitude": (DAIRY.replace("51.0", "151"), r"key latitude must be at most 90"),
    "certainty": (DAIRY.replace("label_ok = 0.95", "label_ok = 95"), r"key risk.label_ok must be below 1"),
    "limits turned": (DAIRY.replace("[41.0, 47.0]", "[47.0, 41.0]"), r"47 to 41 are the wrong way round"),
    "one limit": (DAIRY.replace("[41.0, 47.0]", "[41.0]"), r"key limits.incubator_c must hold at least 2"),
    "negative label": (DAIRY.replace("fat_g = 6.5", "fat_g = -6.5"), r"key label.fat_g must be at least 0"),
    "earlier without a day": (DAIRY + "[[earlier]]\nlabel = { fat_g = 6 }\n", r"key earlier\[1\].until is missing"),
    "no TOML": ("name = Test", r"dairy.toml: cannot be read.*line 1"),
    "no text": ("\udcff", r"is not UTF-8"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said_in_one_line(tmp_path, name):
    text, words = WRONG[name]
    (tmp_path / "dairy.toml").write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(CannotDo, match=words) as caught:
        read_dairy(tmp_path)
    assert "\n" not in str(caught.value)
    assert "dairy.toml" in str(caught.value)


def test_what_can_be_left_out_has_a_sensible_value(tmp_path):
    short = 'name = "Short"\nrules = ["eu"]\npot_g = 150\n[usual]\nincubator_c = 43\nset_min = 170\nstarter_g_kg = 20\n'
    (tmp_path / "dairy.toml").write_text(short)
    dairy, findings = read_dairy(tmp_path)
    assert findings == ()
    assert dairy.sources == ("bulk",)
    assert (dairy.limits.incubator_c, dairy.limits.starter_g_kg, dairy.limits.target_ph) == ((40, 48), (10, 50), 4.6)
    assert (dairy.label_ok, dairy.latitude, dairy.serving_g, dairy.costs) == (0.95, None, None, {})
    assert dairy.as_of(date(2020, 1, 1)) == dairy


def test_misspelt_and_risky_settings_are_said_and_kept(tmp_path):
    text = DAIRY.replace("target_ph", "target_p_h").replace("[41.0, 47.0]", "[38.0, 47.0]").replace("= 44.0", "= 47.5")
    (tmp_path / "dairy.toml").write_text(text + '[labs]\nreference_lab = "valley lab"\n[notes]\nown = "welcome"\n')
    dairy, findings = read_dairy(tmp_path)
    assert dairy.reference_lab == "valley lab"
    assert {(f.code, f.column) for f in findings} == {
        ("unknown-key", "limits.target_p_h"),
        ("limits-beyond-bounds", "limits.incubator_c"),
        ("usual-outside-limits", "usual.incubator_c"),
    }
    assert {f.severity for f in findings} == {"warning"}
