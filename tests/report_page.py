"""The page of a shipped cabinet for several test modules; two drills, and a map made by rule."""

from dataclasses import replace
from functools import cache

from larder import recommended_larder
from small_map import small_map

from ctrl.build import plant_of
from ctrl.config import Config, build_config, plain_data
from ctrl.drill_devices import device_specs
from ctrl.drills import drill_all
from ctrl.findings import DAY_S
from ctrl.plots import usual_records
from ctrl.report import Report, page_of, text_of_config
from ctrl.report_config import used_keys

DRILLED = ("sensor_stuck", "tick_late")  # one fails, one passes
HOSTILE = "<script>x</script>&\"'" + "W" * 38  # 60 letters, the longest name, none to break at


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
