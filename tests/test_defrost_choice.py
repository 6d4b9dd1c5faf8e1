"""Kinds of defrost on cabinets that ice where the kinds differ: each is run, and the choice told.

A seed store in a nursery: doors opened ten times in three hours of the afternoon, a warm damp
room, a bridge to turn the current round, a sensor on the cold sink.  All invented.
"""

from dataclasses import replace

from ctrl.build import plant_of
from ctrl.candidates import Candidate
from ctrl.config import build_config, load_config, plain_data
from ctrl.defrost_kinds import AT_MEAN, SAME_ENERGY_SHARE
from ctrl.firmware import settings_of
from ctrl.recommend_ice import ice_at
from ctrl.tuned import centred, plan_of

SEED = 1


def nursery(limit_pct):
    """Return the config of the damp seed store, with so much of the gaps left to ice."""
    data = plain_data(load_config("seed_store"))
    for table, keys in {
        "cabinet": {"name": "nursery's seed store", "air_changes_per_h": 0.25},
        "climate": {"usual_c": 20.0, "worst_c": 22.0, "coldest_c": 16.0, "daily_swing_k": 2.0,
                    "worst_humidity_pct": 75.0},
        "contents": {"mass_kg": 2.0},
        "use": {"target_c": 5.0, "door_openings_per_day": 10, "door_open_s": 10.0,
                "door_first_hour": 13, "door_last_hour": 16},
        "cold_sink": {"fan_k_per_w": 0.6, "fin_gap_mm": 4.0, "heat_capacity_j_per_k": 2000.0},
        "cold_sink_sensor": {"kind": "digital", "lag_s": 15.0, "tolerance_k": 0.5},
        "drive": {"kind": "smoothed", "reversible": True},
        "defrost": {"kind": "timed", "end_c": 3.0, "longest_min": 30.0},
        "limits": {"sink_ice_blockage_pct": limit_pct},
    }.items():  # fmt: skip
        data[table] = {**(data.get(table) or {}), **keys}
    return build_config(data, "nursery")


def planned(config, note, **law):
    """Return the plan for the worst room, as `recommend` makes it, by every kind allowed."""
    plant = plant_of(config)
    settings = replace(settings_of(config), setpoint_c=5.0, duty_limit=1.0, defrost=None, **law)
    candidate = Candidate(law["controller"], config.drive.kind, True, plant, settings)
    candidate, _ = centred(config, candidate, SEED)
    settings = candidate.settings
    bare = ice_at(config, candidate, settings, config.climate.worst_c, 5.0, SEED, most_days=5)
    plan = plan_of(config, candidate, {"worst": bare}, SEED, lambda stage: None)
    for item in plan.kinds_tried:
        note(
            f"{item.kind:9} {'works' if item.works else 'ices '} {item.compared_kwh_per_day:.4f} "
            f"kWh/d, contents at most {item.ice.contents_c_max:.2f} °C, gaps closed "
            f"{item.ice.blockage_pct:.1f} %, {item.ice.melts_per_day:.0f} melts a day"
        )
    note(f"chosen: {plan.kind}, {plan.why}")
    return plan


def working(plan):
    return {item.kind: item for item in plan.kinds_tried if item.works}


def test_on_a_thermostat_the_rest_keeps_clear_what_the_clock_does_not(note):
    """Ice of an afternoon: no clock of 4 to 24 h keeps to 14 %; rest and felt ice do.

    The rest is the thriftier by more than simulated energies are worth, and warms less.  Both
    ice where frost is 50 % lighter than reckoned, the rest least, and the plan says so.
    """
    plan = planned(nursery(14.0), note, controller="on_off", hysteresis_k=1.0, period_s=1.0)
    tried = [item.kind for item in plan.kinds_tried]
    assert tried == ["none", "timed", "off_cycle", "demand", "reversed"]
    assert not plan.kinds_tried[0].works and plan.kinds_tried[0].ice.melts_per_day == 0
    assert all(item.ice.melts_per_day >= 1 for item in plan.kinds_tried[1:])
    kept = working(plan)
    assert set(kept) == {"off_cycle", "demand"}
    rest, felt = kept["off_cycle"], kept["demand"]
    assert rest.ice.melts_per_day > felt.ice.melts_per_day
    assert felt.compared_kwh_per_day > (1.0 + SAME_ENERGY_SHARE) * rest.compared_kwh_per_day
    assert felt.ice.contents_c_max > rest.ice.contents_c_max
    assert not rest.is_sure and not felt.is_sure
    assert rest.ice.blockage_most_pct < felt.ice.blockage_most_pct
    assert (plan.kind, plan.works, plan.is_sure) == ("off_cycle", True, False)
    assert plan.why == f"clear {AT_MEAN}: the least ice at any other"
    told = dict(plan.passed_over)
    assert told["timed"].startswith("ices, ") and "14 %" in told["timed"]
    assert told["demand"] == (
        f"leaves up to {felt.ice.blockage_most_pct:.1f} % of the gaps closed where frost is "
        "lighter or denser"
    )


def test_where_all_melt_once_a_day_they_tie_and_the_clock_is_simplest(note):
    """At 45 % all three keep clear: equal in energy and warmth, so nothing is felt or turned.

    At any density of the frost: 21 % is enough for it as reckoned alone.
    """
    plan = planned(nursery(45.0), note, controller="pi", kp_pct_per_k=5.0, ti_s=600.0, period_s=5.0)
    assert [item.kind for item in plan.kinds_tried] == ["none", "timed", "demand", "reversed"]
    kept = working(plan)
    assert set(kept) == {"timed", "demand", "reversed"}
    assert all(item.ice.melts_per_day == 1 for item in kept.values())
    energies = [item.compared_kwh_per_day for item in kept.values()]
    assert max(energies) <= (1.0 + SAME_ENERGY_SHARE) * min(energies)
    # Ice costs more than any melt: the iced sink takes half as much again.
    assert plan.kinds_tried[0].compared_kwh_per_day > 1.5 * max(energies)
    assert plan.kind == "timed"
    assert plan.why == "energies within 1 % and contents within 0.2 K: the simplest"


def test_felt_ice_wins_where_the_clock_must_allow_for_light_frost(note):
    """At 32 % a daily melt by the clock is not clear where frost is light: it melts every 8 h.

    Felt ice melts once a day with what there is, and takes less.
    """
    plan = planned(nursery(32.0), note, controller="pi", kp_pct_per_k=5.0, ti_s=600.0, period_s=5.0)
    kept = {item.kind: item for item in plan.kinds_tried if item.is_sure}
    assert set(kept) == {"timed", "demand", "reversed"}
    assert kept["demand"].ice.melts_per_day == 1 and kept["timed"].ice.melts_per_day == 3
    assert (plan.kind, plan.why) == ("demand", "least energy at the target")
    told = dict(plan.passed_over)
    assert told["timed"] == (
        f"takes {kept['timed'].compared_kwh_per_day:.3f} kWh a day at the target, the chosen "
        f"{kept['demand'].compared_kwh_per_day:.3f}"
    )
