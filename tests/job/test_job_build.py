"""wheel.toml: every key checked, with a hint where a name is misspelt."""

import pytest

from rimgauge.errors import BadFile
from rimgauge.job import read_build

FULL = """
name = "front, touring"
spokes = 36
crossings = 3
first_spoke_side = "right"
first_spoke_deg = 4.9
kind = "box-section alloy"
[rim]
effective_diameter_mm = 602
lateral_bending_n_m2 = 220.0
radial_bending_n_m2 = 110.0
torsion_n_m2 = 25.0
axial_n = 8.0e6
[hub]
right_flange_diameter_mm = 45.0
left_flange_diameter_mm = 45.0
right_flange_offset_mm = 36.0
left_flange_offset_mm = 36.0
[spoke]
right_diameter_mm = 2.0
left_diameter_mm = 2.0
turn_mm = 0.4536
[tension]
right_n = 1000.0
left_n = 1000.0
limit_n = 1200.0
[tolerance]
lateral_mm = 0.5
radial_mm = 0.5
dish_mm = 1.0
"""


@pytest.fixture
def build(tmp_path):
    path = tmp_path / "wheel.toml"

    def read(text):
        path.write_text(text, encoding="utf-8")
        return read_build(path)

    return read


def test_every_field_is_read(build):
    fields = build(FULL)
    assert fields["spokes"] == 36
    assert fields["rim"]["effective_diameter_mm"] == 602.0
    assert isinstance(fields["rim"]["effective_diameter_mm"], float)
    assert fields["tension"] == {"right_n": 1000.0, "left_n": 1000.0, "limit_n": 1200.0}


def test_only_what_stands_there_is_handed_on(build):
    assert build("spokes = 32") == {"spokes": 32}


def test_angles_of_every_spoke(build):
    assert build("spokes = 4\nspoke_angles_deg = [1, 80.5, 181, 270]")["spoke_angles_deg"] == [
        1,
        80.5,
        181,
        270,
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "spokes is missing"),
        ("spokes = 0", "spokes must be 4 or more, not 0"),
        ("spokes = 61", "spokes must be 60 or less"),
        ("spokes = 7.5", "spokes must be a whole number, not 7.5"),
        ('spokes = "36"', "spokes must be a number, not text"),
        ("spokes = true", "spokes must be a number, not true or false"),
        ("spokes = 2026-01-31", "spokes must be a number, not a date or time"),
        ("spokes = nan", "spokes must be a finite number"),
        ("spokez = 36", "spokez is no field that rimgauge knows; did you mean 'spokes'"),
        ("spoks = 36", "spoks is no field that rimgauge knows; did you mean 'spokes'"),
        ("spokes = 36\nzzzz = 1", "zzzz is no field that rimgauge knows; known are name, spokes"),
        (
            "spokes = 36\n[rim]\ndiameter_mm = 602",
            r"rim\.diameter_mm .* did you mean 'effective_diameter_mm'",
        ),
        ("spokes = 36\nrim = 3", "rim must be a group of fields, not a number"),
        ("spokes = 36\n[rim]\ntorsion_n_m2 = -25", r"rim\.torsion_n_m2 must be above 0"),
        ("spokes = 36\n[rim]\naxial_n = inf", r"rim\.axial_n must be a finite number"),
        ("spokes = 36\n[hub]\nleft_flange_offset_mm = -36", r"hub\.left_flange_offset_mm must be above 0"),
        ("spokes = 36\n[tension]\nright_n = -1", r"tension\.right_n must be 0 or more"),
        ("spokes = 36\n[tolerance]\nlateral_mm = 0", r"tolerance\.lateral_mm must be above 0"),
        ("spokes = 36\ncrossings = 9", "crossings must be 8 or less with 36 spokes"),
        ("spokes = 36\ncrossings = -1", "crossings must be 0 or more"),
        ('spokes = 36\nfirst_spoke_side = "up"', 'first_spoke_side must be "right" or "left", not "up"'),
        ("spokes = 36\nfirst_spoke_deg = -5", "first_spoke_deg must be 0 or more"),
        ("spokes = 4\nspoke_angles_deg = [1, 2, 3]", "one angle for each of the 4 spokes, not 3"),
        ("spokes = 4\nspoke_angles_deg = [1, 3, 2, 4]", "must rise from spoke to spoke"),
        ("spokes = 4\nspoke_angles_deg = [1, 2, 3, 360]", "stay below 360"),
        (
            "spokes = 4\nspoke_angles_deg = [1, 2, 3, 4]\nfirst_spoke_deg = 2",
            "but spoke_angles_deg starts at 1",
        ),
        ("spokes = ", "can't be read as a wheel file"),
        (
            "spokes = 36\r\n[tolerance]\r\nlateral_mm = 2,0 # mm\r\n",
            r"line 3 has 2,0 .* write 2\.0 with a point",
        ),
        ("spokes = 36\nfirst_spoke_deg=4,9", r"line 2 has 4,9 with a comma; write 4\.9 with a point"),
        ("spokes = 36,", "can't be read as a wheel file"),
        ("spokes = 36\nname = 'front 2,0' 2,0", "can't be read as a wheel file"),
        ("spokes = 36\nspokes = 32", "can't be read as a wheel file"),
        ("a = " + "[" * 100_000, "nested too deeply"),
        ("spokes = " + "1" * 10_000, "can't be read as a wheel file|finite"),
    ],
)
def test_bad_build(build, tmp_path, text, words):
    with pytest.raises(BadFile, match=words) as caught:
        build(text)
    assert str(caught.value).startswith(f"{tmp_path / 'wheel.toml'}: ")
    assert "\n" not in str(caught.value)


def test_a_wheel_file_that_is_no_text(tmp_path):
    (tmp_path / "wheel.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadFile, match="is not UTF-8 text"):
        read_build(tmp_path / "wheel.toml")
