"""A map made up by rule, for screen, JSON and picture."""

from ctrl.aim import aim_of
from ctrl.build import plant_of
from ctrl.config import load_config
from ctrl.setpoint_map import HOLDS, ICES, TOO_COLD, Border, Cell, SetpointMap, advice_of


def small_map() -> SetpointMap:
    """Return three rooms of the larder: holds above, ices below, nothing at the bottom right."""
    config = load_config("galley_larder")
    rooms, contents = (5.0, 22.0, 30.0), tuple(float(c) for c in range(0, 17))
    borders = [
        Border(5.0, -15.0, "full drive", 1.8, True, 1.2, 1.2),
        Border(22.0, -1.2, "full drive", 4.7, True, 5.2, 5.2),
        Border(30.0, 5.9, "full drive", None, False, None, None),
    ]

    def cell(contents_c: float, border: Border) -> Cell:
        if contents_c < border.coldest_c:
            return Cell(border.ambient_c, contents_c, TOO_COLD, None, None, None)
        state = ICES if border.icy_c is not None and contents_c < border.icy_c else HOLDS
        power_w = 5.0 + 2.0 * (border.ambient_c - contents_c)
        return Cell(border.ambient_c, contents_c, state, 0.5, max(power_w, 5.0), contents_c - 5.0)

    return SetpointMap(
        config=config,
        ambients_c=rooms,
        contents_c=contents,
        cells=tuple(tuple(cell(c, border) for border in borders) for c in contents),
        borders=tuple(borders),
        advice=advice_of(config, 2.0, borders),
        setpoint_offset_k=-0.1,
        humidity_pct=80.0,
        seed=1,
        aim=aim_of(config, plant_of(config), config.drive.kind),
    )
