"""`coldloop identify`: table, JSON, picture, and its refusals."""

import json

import pytest

from ctrl import bench_recipe
from ctrl.cli import main
from ctrl.glossary import GLOSSARY


def keys_of(value):
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            yield from keys_of(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys_of(item)


def test_json_picture_and_its_keys(capsys, tmp_path):
    picture = tmp_path / "gains.png"
    words = ["identify", "galley_larder", "--json", "--duty", "45", "--plot", str(picture)]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    unknown = {key for key in keys_of(found) if key.removesuffix("_reason") not in GLOSSARY}
    assert unknown == set()
    assert found["duty"] == 0.45
    assert [item["name"] for item in found["models"]] == [
        "linear plant", "step test", "relay test"
    ]  # fmt: skip
    assert {item["drive"] for item in found["gain_maps"]} == {"fast_pwm", "smoothed"}
    assert any("45 % duty by hand" in text for text in found["recipe"])
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert main(words) == 2  # there already
    assert "--force" in capsys.readouterr().err


@pytest.mark.parametrize("duty", ["0.5", "150", "x"])
def test_a_duty_that_is_no_per_cent_is_one_line(capsys, duty):
    assert main(["identify", "galley_larder", "--duty", duty]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and "--duty" in lines[0]


def test_waits_are_said_as_one_would_set_them():
    assert bench_recipe.minutes(61.0) == "65 s"
    assert bench_recipe.minutes(361.0) == "6.5 min"
    assert bench_recipe.hours(5.2) == "5.5 h"
