"""JSON of what is aimed for, alike in every verb."""

from ctrl.aim import Aim
from ctrl.json_out_base import Object, or_why
from ctrl.too_cold import TooCold


def aim_object(found: Aim) -> Object:
    """Return what is aimed for, and what remains above the target in each room."""
    return {
        "aim_state": found.state,
        "contents_c": found.contents_c,
        "setpoint_c": found.setpoint_c,
        "idle_c": found.idle_c,
        "aim_rooms": [
            {"case": room.name, "ambient_c": room.ambient_c, "remaining_k": room.remaining_k,
             "coldest_holdable_c": room.coldest_c, "coldest_decided_by": room.decided_by}
            for room in found.rooms
        ],
        "aim_words": found.words,
    }  # fmt: skip


def too_cold_object(found: TooCold) -> Object:
    """Return one room too cold for the contents, with what would keep them warmer."""
    none = "no such foam fits this cabinet"
    return (
        {
            "case": found.case,
            "ambient_c": found.ambient_c,
            "contents_c": found.contents_c,
            "idle_c": found.idle_c,
            "least_c": found.least_c,
            "lacks_k": found.lacks_k,
            "room_enough_c": found.room_c,
            "heater_w": found.heater_w,
        }
        | or_why("foam_gain_k", found.foam_gain_k, none)
        | or_why("foam_heater_w", found.foam_heater_w, none)
    )
