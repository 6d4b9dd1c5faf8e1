"""Logs of real cabinets: units stated and never guessed, what cannot be is dropped and counted."""

import numpy as np
import pytest

from ctrl.config_errors import ConfigError
from ctrl.log_file import read_log

MINUTES = 40


def rows_of(count=MINUTES * 6, step_s=10.0):
    time_s = step_s * np.arange(count)
    return time_s, 20.0 - time_s / 600.0, np.full(count, 22.0)


def write(path, header, columns):
    lines = [",".join(str(cell) for cell in row) for row in zip(*columns, strict=True)]
    path.write_text(header + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def fault_of(path, **options):
    with pytest.raises(ConfigError) as caught:
        read_log(path, **options)
    assert len(caught.value.problems) == 1
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_headers_state_the_unit(tmp_path):
    time_s, air, room = rows_of()
    path = write(tmp_path / "a.csv", "time_min,air_degf,ambient_k",
                 (time_s / 60.0, air * 1.8 + 32.0, room + 273.15))  # fmt: skip
    log = read_log(path)
    assert log.columns["air_c"] == pytest.approx(air)
    assert log.columns["ambient_c"] == pytest.approx(room)
    assert log.time_s == pytest.approx(time_s)
    assert log.step_s == pytest.approx(10.0)
    assert log.notes == ()


@pytest.mark.parametrize("name", ["air", "ambient", "supply"])
def test_a_header_without_a_unit_is_refused_with_the_way_to_state_it(tmp_path, name):
    time_s, air, _ = rows_of()
    path = write(tmp_path / "a.csv", f"time_s,air_c,{name}".replace("air_c,air", "t,air"),
                 (time_s, air, air))  # fmt: skip
    text = fault_of(path)
    assert f"a.csv:1:3: {name}: no unit" in text
    assert f"--unit {name}=UNIT" in text


HEADERS = (
    "Time [min];Air [°F];Cold sink (°C);Ambient [K];Ambient RH [%];Module current (mA);duty [%]",
    "time_min;air_degf;cold_sink_c;ambient_k;ambient_rh_pct;module_ma;duty_pct",
)


def test_units_in_brackets_and_decimal_commas_are_read(tmp_path):
    time_s, air, room = rows_of()
    table = (time_s / 60.0, air * 1.8 + 32.0, air - 5.0, room + 273.15, room, 1e3 * room / 8.0,
             2.0 * room)  # fmt: skip
    lines = [";".join(f"{cell:.4f}" for cell in row) for row in zip(*table, strict=True)]
    logs = []
    for name, header, mark in (("a", HEADERS[0], ","), ("b", HEADERS[1], ".")):
        path = tmp_path / f"{name}.csv"
        path.write_text(header + "\n" + "\n".join(lines).replace(".", mark), encoding="utf-8-sig")
        logs.append(read_log(path))
    ours, plain = logs
    assert ours.columns.keys() == plain.columns.keys()
    assert len(plain.columns) == 6
    assert ours.time_s == pytest.approx(plain.time_s)
    for name, values in plain.columns.items():
        assert ours.columns[name] == pytest.approx(values)
    assert plain.notes == ()
    (note,) = ours.notes
    assert note.startswith("decimal commas read as such: Time [min], Air [°F]")


@pytest.mark.parametrize(
    ("names", "given", "units", "told"),
    [("time_s,air_c", None, {"air": "degF"}, "air_c"), ("time_s,air_c", None, {"time": "min"},
      "time_s"), ("time_s,T1 [°C]", {"air": "T1 [°C]"}, {"air": "K"}, "T1 [°C]")],
)  # fmt: skip
def test_a_unit_beside_another_in_the_header_is_refused(tmp_path, names, given, units, told):
    time_s, air, _ = rows_of()
    path = write(tmp_path / "a.csv", names, (time_s, air))
    text = fault_of(path, given=given, units=units)
    assert f"{told}: two units" in text
    assert "not both" in text
    # The same unit twice is none too many.
    same = {"air": "degC", "time": "s"}
    assert read_log(path, given, same).columns["air_c"] == pytest.approx(air)


@pytest.mark.parametrize("header", ["air [mbar]", "Air ()", "air (V)"])
def test_what_stands_in_brackets_must_be_a_unit_of_it(tmp_path, header):
    time_s, air, _ = rows_of()
    text = fault_of(write(tmp_path / "a.csv", f"time_s,{header}", (time_s, air)))
    assert f":1:2: {header}: no unit" in text
    assert "--unit air=UNIT" in text


def test_the_unit_in_a_mapped_headers_brackets_counts(tmp_path):
    time_s, air, _ = rows_of()
    path = write(tmp_path / "a.csv", "t (s),T1 [°F]", (time_s, air * 1.8 + 32.0))
    log = read_log(path, {"time": "t (s)", "air": "T1 [°F]"})
    assert log.columns["air_c"] == pytest.approx(air)
    assert "no unit" in fault_of(path, given={"time": "t (s)", "supply": "T1 [°F]"})
    path = write(tmp_path / "b.csv", "time_s,contents_degf", (time_s, air * 1.8 + 32.0))
    assert read_log(path, {"air": "contents_degf"}).columns["air_c"] == pytest.approx(air)


def test_columns_that_are_not_read_are_named(tmp_path):
    time_s, air, room = rows_of()
    path = write(tmp_path / "a.csv", "time_s,air_c,ambeint_c,fan", (time_s, air, room, room))
    assert read_log(path).notes == ("columns not read: ambeint_c, fan",)
    text = fault_of(write(tmp_path / "b.csv", "seconds,air_c", (time_s, air)))
    assert "--column time=HEADER with one of seconds, air_c" in text
    text = fault_of(write(tmp_path / "c.csv", "time_s,T1", (time_s, air)))
    assert "--column air=HEADER with one of time_s, T1" in text


def test_a_makers_own_headers_are_mapped(tmp_path):
    time_s, air, room = rows_of()
    path = write(tmp_path / "a.csv", "t,T1,T2", (time_s / 3600.0, air * 1.8 + 32.0, room))
    log = read_log(path, {"time": "t", "air": "T1", "ambient": "T2"},
                   {"time": "h", "air": "degF", "ambient": "degC"})  # fmt: skip
    assert log.columns["air_c"] == pytest.approx(air)
    assert log.time_s == pytest.approx(time_s)
    assert "no such column" in fault_of(path, given={"air": "T9"})
    assert "no such unit" in fault_of(
        path, given={"time": "t", "air": "T1"}, units={"time": "h", "air": "furlong"}
    )


def test_bare_numbers_under_time_are_refused_and_iso_times_read(tmp_path):
    time_s, air, _ = rows_of()
    assert "time: no unit" in fault_of(write(tmp_path / "a.csv", "time,air_c", (time_s, air)))
    stamps = np.datetime64("2026-05-31T23:50:00") + time_s.astype("timedelta64[s]")
    log = read_log(write(tmp_path / "b.csv", "time,air_c", (stamps, air)))
    assert log.time_s == pytest.approx(time_s)


def test_a_clock_that_resets_begins_a_new_stretch(tmp_path):
    time_s, air, _ = rows_of()
    again = np.where(np.arange(time_s.size) >= 150, time_s - time_s[150], time_s)
    log = read_log(write(tmp_path / "a.csv", "time_s,air_c", (again, air)))
    assert log.counts["clock_resets"] == 1
    assert np.flatnonzero(np.diff(log.segment)).tolist() == [149]
    assert log.time_s[150] == 0.0
    assert "the clock went back once: a new stretch with its own start" in log.notes
    again[200:] -= again[200]
    log = read_log(write(tmp_path / "b.csv", "time_s,air_c", (again, air)))
    assert any("clock went back 2 times" in note for note in log.notes)


def test_what_cannot_be_is_left_out_and_told_with_its_unit(tmp_path):
    time_s, air, room = rows_of()
    air[7] = 127.9
    log = read_log(write(tmp_path / "a.csv", "time_s,air_c,ambient_c", (time_s, air, room)))
    assert "air_c: 1 outside -50 to 90 °C, left out" in log.notes


def test_rows_of_one_time_are_joined(tmp_path):
    # Two loggers in one file, a row each: the second's columns were dropped with its rows.
    time_s, air, room = rows_of()
    first = [(t, a, "", "") for t, a in zip(time_s, air, strict=True)]
    second = [(t, 30.0, r, 0.5) for t, r in zip(time_s, room, strict=True)]
    rows = [row for pair in zip(first, second, strict=True) for row in pair]
    path = write(tmp_path / "a.csv", "time_s,air_c,ambient_c,duty", zip(*rows, strict=True))
    log = read_log(path)
    assert log.counts["duplicates"] == time_s.size
    assert log.time_s == pytest.approx(time_s)
    assert log.columns["air_c"] == pytest.approx(air)  # the first that it has
    assert log.columns["ambient_c"] == pytest.approx(room)
    assert log.columns["duty"] == pytest.approx(0.5)


@pytest.mark.parametrize("name", ["door", "duty", "hot_fan"])
def test_what_holds_on_stands_as_the_last_row_of_a_time_left_it(tmp_path, name):
    # Opened and shut within one time of the log: the first mark would hold it open ever after.
    time_s, air, _ = rows_of()
    rows = [(t, a, "") for t, a in zip(time_s, air, strict=True)]
    rows[50:51] = [rows[50], (time_s[50], "", 1), (time_s[50], "", 0)]
    path = write(tmp_path / "a.csv", f"time_s,air_c,{name}", zip(*rows, strict=True))
    log = read_log(path)
    assert log.columns[name][50] == 0.0
    assert log.columns["air_c"] == pytest.approx(air)
    assert "of duty, fans and door the last" in log.notes[0]


def test_gaps_duplicates_and_outliers_are_counted(tmp_path):
    time_s, air, _ = rows_of(400)
    air = air + 0.02 * np.sin(np.arange(400))
    time_s[200:] += 400.0  # a gap
    time_s[300:] += 5000.0  # one so long that nobody knows the state
    time_s[101] = time_s[100]
    air[50], air[60] = 85.5, 31.0  # beyond what can be is at 90; both stand alone
    air[70] = -127.0  # what a digital sensor says when it is not there
    log = read_log(write(tmp_path / "a.csv", "time_s,air_c", (time_s, air)))
    assert log.counts["gaps"] == 2
    assert log.counts["new_starts"] == 1
    assert log.counts["duplicates"] == 1
    assert log.counts["outliers"] == 3
    assert np.flatnonzero(np.isnan(log.columns["air_c"])).tolist() == [50, 60, 70]
    assert log.segment[-1] == 1


def test_a_step_is_no_outlier(tmp_path):
    time_s, air, _ = rows_of()
    air[100:] -= 8.0
    log = read_log(write(tmp_path / "a.csv", "time_s,air_c", (time_s, air)))
    assert log.counts["outliers"] == 0


def test_a_wrong_unit_shows(tmp_path):
    time_s, air, _ = rows_of()
    text = fault_of(write(tmp_path / "a.csv", "time_s,air_c", (time_s, air + 273.15)))
    assert "out of range" in text
    assert "is the unit c?" in text
    text = fault_of(write(tmp_path / "b.csv", "time_s,air_c,duty", (time_s, air, air)))
    assert "duty = '20.0': out of range, expected -1 to 1; --unit duty=pct if it is in %" in text


@pytest.mark.parametrize(
    ("header", "cell", "words"),
    [
        ("time_s,air_c", "warm", "a.csv:7:2: air_c = 'warm': not a number"),
        ("time_s,air_c", "20,5", "a.csv:7: cells = 3: too many, expected 2 as in the headers"),
        ("time_s,air_c", "20,", None),
        ("time_s,air_c", "air_c", "a.csv:7:2: air_c = 'air_c': the headers once more"),
        ("time_s,duty", "0.5", "no reading"),
        ("seconds,air_c", "20", "missing column"),
    ],
)
def test_each_fault_is_one_line_with_its_place(tmp_path, header, cell, words):
    time_s, air, _ = rows_of()
    cells = [f"{0.5 if 'duty' in header else value:g}" for value in air]
    cells[5] = cell
    path = write(tmp_path / "a.csv", header, (time_s, cells))
    if words is None:
        assert read_log(path).columns["air_c"][5] == pytest.approx(20.0)
    else:
        assert words in fault_of(path)


def test_a_quantity_in_two_columns_is_refused_unless_one_is_chosen(tmp_path):
    time_s, air, room = rows_of()
    path = write(tmp_path / "a.csv", "time_s,air_c,air_degf", (time_s, air, room))
    assert "a.csv:1:3: air_degf: a second time" in fault_of(path)
    log = read_log(path, {"air": "air_degf"})
    assert log.columns["air_c"][0] == pytest.approx((22.0 - 32.0) / 1.8)


def test_a_column_without_a_number_is_told(tmp_path):
    time_s, air, _ = rows_of()
    nothing = ["nan"] * time_s.size
    text = fault_of(write(tmp_path / "a.csv", "time_s,air_c", (time_s, nothing)))
    assert "a.csv: air_c: no number in it" in text
    log = read_log(write(tmp_path / "b.csv", "time_s,air_c,hot_sink_c", (time_s, air, nothing)))
    assert "hot_sink_c: no number in it, left out" in log.notes


def test_newest_first_is_refused(tmp_path):
    time_s, air, _ = rows_of()
    path = write(tmp_path / "a.csv", "time_s,air_c", (time_s[::-1], air))
    assert "a.csv: time: runs backwards, expected the oldest row first" in fault_of(path)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "is empty"),
        (bytes(range(256)) * 9, "no UTF-8 text"),
        ("time_s,air_c\n0,20\n".encode("utf-16"), "(no UTF-8 text), expected a CSV file, as UTF-8"),
        ("time [s],air [°C]\n0,20\n".encode("latin-1"), "expected a CSV file, as UTF-8"),
        (b"time_s,air_c\n0,20\n", "rows = 1: too short"),
        (b"time_s;air_c\n0;20,5\n" * 30, "the headers once more"),
        (b"time_s,air_c\n" + b"9,2_0\n" * 30, "'2_0': not a number"),
        # Thousands or decimals? And a column that has both.
        (b"time_s;air_c\n" + b"1,000;20.5\n" * 30, "'1,000': not a number, expected a number with"),
        (b"time_s;air_c\n0;20.5\n" + b"9;20,5\n" * 30, "'20,5': not a number, expected a number"),
    ],
)  # fmt: skip
def test_what_is_no_log_is_told_in_one_line(tmp_path, raw, words):
    path = tmp_path / "a.csv"
    path.write_bytes(raw)
    assert words in fault_of(path)


def test_too_short_is_refused(tmp_path):
    time_s, air, _ = rows_of(60)
    assert "20 min" in fault_of(write(tmp_path / "a.csv", "time_s,air_c", (time_s, air)))
    assert "cannot be read" in fault_of(tmp_path / "none.csv")


def test_outliers_of_every_column_are_found(tmp_path):
    time_s, air, room = rows_of()
    supply, amps, duty = (np.full(time_s.size, x) for x in (12.3, 4.0, 0.8))
    duty[120:], amps[120:] = 0.4, 2.0
    for column, bad in ((room, 60.0), (supply, 0.0), (amps, 50.0)):
        column[20::40] = bad
    air[60:63] += 30.0  # three in a row
    path = write(tmp_path / "a.csv", "time_s,air_c,ambient_c,supply_v,module_a,duty",
                 (time_s, air, room, supply, amps, duty))  # fmt: skip
    log = read_log(path)
    spoilt = time_s[20::40].size
    assert log.counts["outliers"] == 3 * spoilt + 3
    for name, seen in (("ambient_c", 22.0), ("supply_v", 12.3)):
        assert np.nanmax(np.abs(log.columns[name] - seen)) < 1e-9
        assert np.isnan(log.columns[name]).sum() == spoilt
    assert np.nanmax(log.columns["module_a"]) == 4.0
    assert any(note.startswith("supply_v: ") for note in log.notes)
    (told,) = (note for note in log.notes if note.startswith("air_c: "))
    assert told.startswith("air_c: 3 readings far off") and "four in a row by 15 K" in told


@pytest.mark.parametrize("step_s", [60.0, 120.0, 300.0])
def test_the_peak_of_a_stopped_fan_is_no_outlier(tmp_path, step_s):
    # 19 K in ten minutes, as the other plant's larder rises with its hot fan stopped.
    time_s = np.arange(0.0, 7200.0, step_s)
    since = time_s - 3600.0
    hot = np.where(since < 0.0, 30.0, 30.0 + 19.0 * np.exp(-(since - 600.0) / 150.0))
    stopped = (since >= 0.0) & (since <= 600.0)
    hot[stopped] = 30.0 + 19.0 * since[stopped] / 600.0
    fan, air = np.where(stopped, 0.0, 1.0), np.full(time_s.size, 8.0)
    names, columns = "time_s,air_c,hot_sink_c,hot_fan", (time_s, air, hot, fan)
    log = read_log(write(tmp_path / "a.csv", names, columns))
    assert log.counts["outliers"] == 0
    # No air goes to 85 °C between two such rows, whatever was switched.
    air[np.flatnonzero(stopped)[1]] = 85.0
    log = read_log(write(tmp_path / "b.csv", names, columns))
    assert log.counts["outliers"] == 1
    assert any(note.startswith("air_c: 1 reading far off those about") for note in log.notes)


@pytest.mark.parametrize("row", [0, 1, -1])
def test_a_wrong_reading_at_an_end_is_an_outlier_and_a_steep_start_is_none(tmp_path, row):
    time_s, air, room = rows_of()
    air[:5] += [9.0, 6.0, 4.0, 2.0, 1.0]
    steep = write(tmp_path / "a.csv", "time_s,air_c,ambient_c", (time_s, air, room))
    assert read_log(steep).counts["outliers"] == 0
    air[row] = 85.0  # what some digital sensors say before their first conversion
    spoilt = write(tmp_path / "b.csv", "time_s,air_c,ambient_c", (time_s, air, room))
    log = read_log(spoilt)
    assert log.counts["outliers"] == 1
    assert np.isnan(log.columns["air_c"][row])


def test_a_current_that_follows_its_duty_is_no_outlier(tmp_path):
    time_s, air, _ = rows_of()
    duty = np.zeros(time_s.size)
    duty[::10] = 1.0  # pulses of one row
    path = write(tmp_path / "a.csv", "time_s,air_c,module_a,duty", (time_s, air, 4.0 * duty, duty))
    assert read_log(path).counts["outliers"] == 0


@pytest.mark.parametrize(("header", "name"), [("duty", "duty"), ("Hot fan", "hot_fan")])
def test_a_bare_share_beyond_one_is_asked_for_its_unit(tmp_path, header, name):
    time_s, air, _ = rows_of()
    duty = np.zeros(time_s.size)
    duty[-10:] = 100.0  # too few rows to be out of range by their share
    text = fault_of(write(tmp_path / "a.csv", f"time_s,air_c,{header}", (time_s, air, duty)))
    assert f"--unit {name}=pct" in text
