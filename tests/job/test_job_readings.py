"""readings.csv as people and spreadsheets write it."""

import numpy as np
import pytest

from rimgauge.errors import BadFile
from rimgauge.job import read_readings

NAN = float("nan")


@pytest.fixture
def write(tmp_path):
    path = tmp_path / "readings.csv"

    def written(text, encoding="utf-8"):
        path.write_bytes(text.encode(encoding))
        return path

    return written


PLAIN = "spoke,lateral_mm,radial_mm,tension_n\n1,0.31,,1000\n2,-0.2,0.1,\n3,,0.05,980\n4,0,0,990\n"


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        "\ufeff" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace(",", "\t"),
        PLAIN.replace("-", "\N{MINUS SIGN}"),
        PLAIN.replace("0.31", '"0,31"'),
        PLAIN.replace("spoke,lateral_mm", " Spoke , LATERAL_MM "),
        "\n" + PLAIN.replace("\n", "\n\n") + ",,,\n",
        "spoke,lateral_mm,radial_mm,tension_n\n4,0,0,990\n2,-0.2,.1\n3,,5e-2,980\n1,+0.31,,1000.\n",
    ],
    ids=[
        "plain",
        "bom",
        "crlf",
        "decimal comma",
        "tabs",
        "minus sign",
        "quoted",
        "capitals",
        "blanks",
        "order",
    ],
)
def test_every_usual_way_to_write_it(write, text):
    readings = read_readings(write(text), 4)
    np.testing.assert_array_equal(readings.lateral_mm, [0.31, -0.2, NAN, 0])
    np.testing.assert_array_equal(readings.radial_mm, [NAN, 0.1, 0.05, 0])
    np.testing.assert_array_equal(readings.tension_n, [1000, NAN, 980, 990])
    assert not readings.centred


def test_columns_may_be_missing(write):
    readings = read_readings(write("spoke,lateral_mm\n1,0.1\n2,0.2\n"), 2, centred=True)
    assert np.isnan(readings.radial_mm).all()
    assert readings.centred


def test_kilograms_become_newtons(write):
    # 1 kgf = 9.80665 N exactly (3rd CGPM, 1901)
    readings = read_readings(write("spoke,tension_kgf\n1,100\n2,\n"), 2, need=())
    np.testing.assert_array_equal(readings.tension_n, [980.665, NAN])


def test_a_file_of_tensions_alone_must_have_them_all(write):
    path = write("spoke,tension_n\n1,900\n2,\n3,950\n")
    with pytest.raises(BadFile, match="no tension_n for spoke 2; measure there"):
        read_readings(path, 3, need=("tension_n",))
    with pytest.raises(BadFile, match="no lateral_mm or radial_mm for spokes 1, 2, 3;"):
        read_readings(path, 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty; its first line must be like spoke,lateral_mm"),
        ("\n\n", "is empty"),
        ("spoke,lateral_mm\n", "no lateral_mm or radial_mm for spokes 1, 2, 3"),
        ("lateral_mm\n0.1\n", "the header must name the column spoke"),
        ("spoke\n1\n", "and at least one of lateral_mm"),
        ("spoke,lateral\n1,0.1\n", "'lateral' is not known; did you mean lateral_mm"),
        ("spoke,xyz\n1,0.1\n", "'xyz' is not known; known are spoke"),
        ("spoke,lateral_mm,lateral_mm\n1,0,0\n", "lateral_mm stands twice"),
        ("1,0.1\n2,0.2\n", "the column '1' is not known"),
        ("spoke,lateral_mm\n1,0.1\n1,0.2\n", "line 3: spoke 1 was on line 2 already"),
        ("spoke,lateral_mm\n1,0.1\n4,0.2\n", "line 3: spoke must be a whole number from 1 to 3, not '4'"),
        ("spoke,lateral_mm\n0,0.1\n", "from 1 to 3, not '0'"),
        ("spoke,lateral_mm\n1.5,0.1\n", "from 1 to 3, not '1.5'"),
        ("spoke,lateral_mm\n,0.1\n", "from 1 to 3, not ''"),
        ("spoke,lateral_mm\n1,0.1\n3,0.2\n", "no lateral_mm or radial_mm for spoke 2;"),
        ("spoke,lateral_mm\n1,wide\n", "line 2: lateral_mm 'wide' is not a number"),
        ("spoke,lateral_mm\n1,nan\n", "lateral_mm 'nan' is not a number"),
        ("spoke,lateral_mm\n1,inf\n", "lateral_mm 'inf' is not a number"),
        ("spoke,lateral_mm\n1,1e999\n", "lateral_mm '1e999' is not a number"),
        ("spoke,lateral_mm\n1,1_0\n", "lateral_mm '1_0' is not a number"),
        ("spoke;lateral_mm\n1;1.234,5\n", "lateral_mm '1.234,5' is not a number"),
        (
            "spoke,lateral_mm\n1,0,31\n",
            "line 2: there are 3 cells under 2 column names; with a decimal comma",
        ),
        ("spoke,lateral_mm,tension_n\n1,0.1,-5\n", "tension_n is -5, and a spoke can't push"),
        (
            "spoke,lateral_mm,tension_n,tension_kgf\n1,0.1,5,5\n",
            "spoke 1 has a tension in N and another in kgf",
        ),
        ("spoke,lateral_mm\n1,0.1\0\n", "not a number|can't be read as a table"),
        ("spoke,lateral_mm\n1," + "1" * 200_000 + "\n", "can't be read as a table"),
    ],
)
def test_bad_readings(write, text, words):
    path = write(text)
    with pytest.raises(BadFile, match=words) as caught:
        read_readings(path, 3)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_readings_that_are_no_text(write):
    with pytest.raises(BadFile, match="is not UTF-8 text"):
        read_readings(write("spoke,lateral_mm\n", "utf-16"), 3)
