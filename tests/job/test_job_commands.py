"""`rimgauge new` and `rimgauge verify`, through the command line as a person runs it."""

import dataclasses
import json
import os
import shutil
import subprocess
import sys

import pytest

from rimgauge.cli import run
from rimgauge.cli.measure import _offer_other
from rimgauge.job import create_job, keep_pass, read_manifest
from tests.laws.simulated import simulated_pass, wave
from tests.said import stopped


@pytest.fixture
def rimgauge(tmp_path):
    def run(*arguments, cwd=tmp_path):
        done = subprocess.run(
            [sys.executable, "-m", "rimgauge", *arguments],
            cwd=cwd,
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
            env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        )
        assert "Traceback" not in done.stderr
        return done

    return run


def test_a_job_is_started_and_verified(rimgauge, tmp_path):
    done = rimgauge("new", "rear wheel", "--spokes", "32", "--kind", "light alloy", "--crossings", "3")
    assert done.returncode == 0
    assert "cd 'rear wheel'" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    for word in ("aim", "scale", "measure", "plan", "report"):
        assert f"rimgauge {word}" in done.stdout
    assert rimgauge("verify", "rear wheel").returncode == 0
    inside = rimgauge("verify", "--json", cwd=tmp_path / "rear wheel")
    assert inside.returncode == 0
    assert json.loads(inside.stdout)["sound"] is True


def test_verify_names_what_changed(rimgauge, tmp_path):
    rimgauge("new", "wheel", "--spokes", "32")
    (tmp_path / "wheel" / "wheel.toml").write_text("spokes = 28\n", encoding="utf-8")
    done = rimgauge("verify", "wheel")
    assert done.returncode == 1
    assert "NOT as recorded" in done.stdout
    assert "wheel.toml was changed after it was recorded" in done.stdout
    done = rimgauge("verify", "wheel", "--json")
    assert done.returncode == 1
    assert [trouble["file"] for trouble in json.loads(done.stdout)["troubles"]] == ["wheel.toml"]


def test_verify_inside_a_job_whose_manifest_is_gone_says_so(rimgauge, tmp_path):
    rimgauge("new", "wheel", "--spokes", "32")
    (tmp_path / "wheel" / "manifest.json").unlink()
    done = rimgauge("verify", cwd=tmp_path / "wheel")
    assert done.returncode == 1
    assert "manifest.json: there is no such file" in done.stdout
    assert "back from a copy" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["new", "x", "--spokes", "0"], "a wheel has 4 to 60 spokes, not 0"),
        (["new", "x", "--spokes", "7.5"], "--spokes: 7.5 is no whole number"),
        (["new", "x", "--spokes", "many"], "--spokes: many is no whole number"),
        (["new", "x", "--spokes", "32", "--crossings", "1.5"], "--crossings: 1.5 is no whole number"),
        (["new", "x", "--spokes", "32", "--kind", "lite alloy"], 'did you mean "light alloy"?'),
        (["new", ".", "--spokes", "32"], "is there already and not empty"),
        (["verify"], "no job folder here; name one"),
    ],
)
def test_wrong_usage_is_one_sentence(rimgauge, tmp_path, arguments, words):
    (tmp_path / "something").write_text("", encoding="utf-8")
    done = rimgauge(*arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["something"]


def test_a_job_within_a_job_is_refused_with_a_place_beside_it(tmp_path, rimgauge):
    outer = create_job(tmp_path / "front", spokes=32).folder
    for place, words in ((outer, "rear"), (tmp_path, "front/rear")):
        done = rimgauge("new", words, "--spokes", "32", cwd=place)
        assert done.returncode == 2
        assert f"would lie inside another job, {outer}" in done.stderr
        assert f"for example as {tmp_path / 'rear'}" in done.stderr
        assert not (outer / "rear").exists()


def test_no_later_command_takes_in_what_was_changed_or_added(tmp_path, capsys, monkeypatch):
    job = create_job(tmp_path / "job", spokes=32)
    keep_pass(job, simulated_pass(wave(2, 0.2)))
    monkeypatch.chdir(job.folder)
    run(["report"])
    fingerprint = read_manifest(job.folder).fingerprint
    (job.folder / "report.pdf").write_bytes(b"%PDF another")
    for name in ("pass-02.json", "letter.txt"):
        shutil.copy(job.folder / "pass-01.json", job.folder / name)

    def troubles():
        capsys.readouterr()
        with pytest.raises(SystemExit):
            run(["verify"])
        return capsys.readouterr().out

    (job.folder / "pass-02.json").rename(tmp_path / "kept.json")
    run(["report", "--out", "other.html"])
    (tmp_path / "kept.json").rename(job.folder / "pass-02.json")
    said = troubles()
    assert "report.pdf was changed after it was recorded" in said
    assert "letter.txt is no part of the record: it was added later" in said
    assert "rimgauge report --out report.pdf" in said
    assert "measure the wheel again" not in said
    assert read_manifest(job.folder).fingerprint == fingerprint
    assert "Move out of the folder what no command made: pass-02.json" in said
    assert "--take-in letter.txt" in said
    (job.folder / ".hidden").write_text("", encoding="utf-8")
    (job.folder / "empty").mkdir()
    (job.folder / "plan-07-frames").mkdir()
    for added, why in (
        ("pass-01.json", "is recorded already"),
        ("pass-02.json", "only the command that makes one records it"),
        ("plan-07-frames", "only the command that makes one records it"),
        ("manifest.json", "holds nothing to take in"),
        (".hidden", "holds nothing to take in"),
        ("empty", "holds nothing to take in"),
    ):
        assert why in stopped(["verify", "--take-in", "letter.txt", "--take-in", added], capsys)[1]
    assert read_manifest(job.folder).fingerprint == fingerprint
    (job.folder / "pass-02.json").unlink()
    run(["report"])
    capsys.readouterr()
    run(["verify", "--take-in", "letter.txt"])
    assert "are as recorded" in capsys.readouterr().out


def test_verify_of_nothing(rimgauge):
    done = rimgauge("verify", "nowhere")
    assert done.returncode == 1
    assert done.stderr.strip() == "rimgauge: nowhere: there is no such folder"


def test_a_measurement_of_the_other_direction_is_offered_where_it_would_help(tmp_path, capsys):
    job = create_job(tmp_path / "job", spokes=32)
    lateral = dataclasses.replace(simulated_pass(wave(2, 0.2)), advice=("measure it and give --radial.",))
    _offer_other(lateral, job)
    assert capsys.readouterr().out == ""
    keep_pass(job, simulated_pass(wave(3, 0.2), gaps_mm=(("outer", 2.0),), direction="radial"))
    _offer_other(lateral, job)
    assert "pass-01.json is such a radial measurement" in capsys.readouterr().out
    _offer_other(dataclasses.replace(lateral, advice=()), job)
    assert capsys.readouterr().out == ""
