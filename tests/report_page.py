"""The page of a shipped cabinet for several test modules; two drills, and a map made by rule."""

from dataclasses import replace
from functools import cache

from larder import recommended_larder
from small_map import small_map

from ctrl.build import plant_of
from ctrl.config import Config, build_config, parse_config, plain_data
from ctrl.drill_devices import device_specs
from ctrl.drills import drill_all
from ctrl.findings import DAY_S
from ctrl.plots import usual_records
from ctrl.report import Report, page_of, text_of_config
from ctrl.report_config import used_keys

DRILLED = ("sensor_stuck", "tick_late")  # one fails, one passes
HOSTILE = "<script>x</script>&\"'" + "W" * 38  # 60 letters, the longest name, none to break at

# As `calibrate` writes it, all of it invented: three parts told by the log, one not.
TWIN = f"""
[twin]
log_name = "larder.csv"
log_sha256 = "{"0123456789abcdef" * 4}"
not_told = ["hot_joint"]
hot_sink_times = 1.05  # hot sink's K/W
hot_sink_times_error = 0.01
hot_joint_times = 1  # hot joint's K/W; not told by the log
hot_joint_times_error = 0.18
cold_capacity_times = 0.9  # heat capacity of the cold sink
cold_capacity_times_error = 0.02
air_offset_k = 0.2  # offset of the air's reading
air_offset_error_k = 0.1
"""


@cache
def larder_report() -> Report:
    """Return what the larder's page tells."""
    found = recommended_larder()
    config, settings = found.config, found.chosen.candidate.settings
    drills = tuple(
        drill for name in DRILLED for drill in drill_all(config, settings, seed=1, only=name)
    )
    return Report(
        found, usual_records(found)[1].last(DAY_S), small_map(),
        device_specs(config, plant_of(config)), drills,
        tuple(used_keys(config, text_of_config(config))),
    )  # fmt: skip


@cache
def larder_page() -> str:
    """Return the larder's page."""
    return page_of(larder_report(), "1.2.3")


def renamed(config: Config, name: str) -> Config:
    """Return a config with another name."""
    data = plain_data(config)
    data["cabinet"]["name"] = name
    return build_config(data, config.source)


@cache
def hostile_page() -> str:
    """Return the page of a cabinet whose name is markup, and too long for a phone."""
    report = larder_report()
    found = replace(report.found, config=renamed(report.found.config, HOSTILE))
    return page_of(replace(report, found=found), "1.2.3")


@cache
def twin_report() -> Report:
    """Return what the larder's page would tell with a twin in its file; its runs are without."""
    report = larder_report()
    text = text_of_config(report.found.config) + TWIN
    config = parse_config(text, "galley_larder")
    found = replace(report.found, config=config)
    return replace(report, found=found, keys=tuple(used_keys(config, text)))


@cache
def twin_page() -> str:
    """Return the page of a cabinet with a twin."""
    return page_of(twin_report(), "1.2.3")
