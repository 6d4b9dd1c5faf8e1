"""The tables of the file that describe the two heat sinks and their fans."""

from typing import Literal

from ctrl.config_fields import (
    INVENTED,
    MEMORY,
    PRACTICE,
    REQUIRED,
    Fault,
    Section,
    choice,
    quantity,
    whole,
)
from plant import heat_sinks
from plant.constants import STANDARD_PRESSURE_PA
from plant.fins import FanCurve, FinSink, Through, operating_point

FanWiring = Literal["with_module", "always", "own_switch"]

FIN_KEYS = (
    "fins", "fin_height_mm", "fin_thickness_mm", "fin_gap_mm", "fin_length_mm",
    "fan_free_flow_m3_per_h", "fan_stall_pa",
)  # fmt: skip


class HotSink(Section):
    """The sink outside, its fan, and how the room takes its warm air away."""

    fan_k_per_w: float | None = quantity(
        None, 0.01, 5, "K/W", "sink to air, fan running; or leave out and give fins", "from fins"
    )
    no_fan_k_per_w: float = quantity(
        REQUIRED, 0.02, 20, "K/W", "sink to air, fan stopped, sink 30 K above the room"
    )
    heat_capacity_j_per_k: float = quantity(
        REQUIRED, 10, 20000, "J/K", "sink; aluminium is 0.9 J/K for each gram"
    )
    fan_w: float = quantity(REQUIRED, 0, 60, "W", "power of the hot fan")
    fan_flow_m3_per_h: float | None = quantity(
        None, 1, 1000, "m3/h", "air through the sink; or leave out and give fins", "from fins"
    )
    exhaust_recirculation: float = quantity(
        0.0, 0, 0.8, "", "share of the intake that is its own exhaust; 0 in the open", PRACTICE
    )
    fan_wiring: FanWiring = choice("own_switch", "what switches the hot fan", INVENTED)
    fan_tachometer: bool = choice(
        False, "whether the hot fan has a wire that gives pulses as it turns", "no such wire"
    )
    foam_shares_temperature: float = quantity(
        1.0, 0, 1, "", "share of the sink's rise that the foam beside it feels", "1: it touches"
    )
    radiation_share: float = quantity(
        0.2,
        0,
        1,
        "",
        "fan stopped: share radiated; black 0.3, bare 0.05",
        PRACTICE,
    )
    dust_factor: float = quantity(
        1.0, 1, 5, "", "dusty: fan's K/W times, and its flow over, this; your guess", "clean"
    )
    fins: int | None = whole(None, 3, 300, "", "number of plate fins", "fan_k_per_w is stated")
    fin_height_mm: float | None = quantity(None, 3, 200, "mm", "height of a fin", "no fins")
    fin_thickness_mm: float | None = quantity(None, 0.1, 10, "mm", "thickness of a fin", "no fins")
    fin_gap_mm: float | None = quantity(None, 0.5, 30, "mm", "clear gap between fins", "no fins")
    fin_length_mm: float | None = quantity(
        None, 10, 500, "mm", "way of the air along a fin", "no fins"
    )
    fin_metal_w_per_m_k: float = quantity(
        200.0, 10, 400, "W/(m K)", "metal of the fins: aluminium 200, copper 390", MEMORY
    )
    fan_free_flow_m3_per_h: float | None = quantity(
        None, 1, 2000, "m3/h", "fan's sheet: flow against no pressure", "no fins"
    )
    fan_stall_pa: float | None = quantity(
        None, 2, 2000, "Pa", "fan's sheet: pressure at no flow", "no fins"
    )

    fan_middle_flow_m3_per_h: float | None = quantity(
        None, 0.5, 2000, "m3/h", "fan's sheet: flow of one point between", "a straight curve"
    )
    fan_middle_pa: float | None = quantity(
        None, 0.5, 2000, "Pa", "fan's sheet: pressure at that point", "a straight curve"
    )

    def fin_point(self, pressure_pa: float = STANDARD_PRESSURE_PA) -> Through | None:
        """Return where the clean fins meet their fan's curve, None without fins."""
        if (
            self.fins is None or self.fin_height_mm is None or self.fin_thickness_mm is None
            or self.fin_gap_mm is None or self.fin_length_mm is None
            or self.fan_free_flow_m3_per_h is None or self.fan_stall_pa is None
        ):  # fmt: skip
            return None
        sink = FinSink(
            fins=self.fins,
            height_m=self.fin_height_mm * 1e-3,
            thickness_m=self.fin_thickness_mm * 1e-3,
            gap_m=self.fin_gap_mm * 1e-3,
            length_m=self.fin_length_mm * 1e-3,
            metal_w_per_m_k=self.fin_metal_w_per_m_k,
        )
        middle = None
        if self.fan_middle_flow_m3_per_h is not None and self.fan_middle_pa is not None:
            middle = (self.fan_middle_flow_m3_per_h / 3600.0, self.fan_middle_pa)
        fan = FanCurve(self.fan_free_flow_m3_per_h / 3600.0, self.fan_stall_pa, middle)
        return operating_point(sink, fan, pressure_pa)

    def driven(self, pressure_pa: float = STANDARD_PRESSURE_PA) -> tuple[float, float]:
        """Return (resistance to the intake [K/W], flow [m3/h]) when clean, with the fan.

        What is stated goes before what the fins imply.  A stated K/W is of sea level: where
        the air is thinner its film is, too.
        """
        point = self.fin_point(pressure_pa)
        k_per_w, flow = self.fan_k_per_w, self.fan_flow_m3_per_h
        if k_per_w is not None:
            k_per_w /= heat_sinks.thin_air_factor(pressure_pa)
        if point is not None:
            k_per_w = point.k_per_w if k_per_w is None else k_per_w
            flow = 3600.0 * point.flow_m3_per_s if flow is None else flow
        if k_per_w is None or flow is None:
            raise ValueError("hot_sink: neither fan_k_per_w and fan_flow_m3_per_h nor fins")
        return k_per_w, flow

    def with_fan_k_per_w(self, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
        """Return sink to room with the fan [K/W], dust and recirculated exhaust counted."""
        clean_k_per_w, flow = self.driven(pressure_pa)
        return heat_sinks.with_recirculation(
            clean_k_per_w * self.dust_factor,
            self.exhaust_recirculation,
            flow / self.dust_factor,
            pressure_pa / STANDARD_PRESSURE_PA,
        )

    def without_fan_k_per_w(self, pressure_pa: float = STANDARD_PRESSURE_PA) -> float:
        """Return sink to room with the fan stopped [K/W]; what it radiates needs no air."""
        share = self.radiation_share
        factor = share + (1.0 - share) * heat_sinks.thin_air_factor(pressure_pa)
        return self.no_fan_k_per_w / factor

    def fan_faults(self, pressure_pa: float = STANDARD_PRESSURE_PA) -> list[Fault]:
        """Check that stopping the fan does not improve the sink as it stands there."""
        whole = self.with_fan_k_per_w(pressure_pa)
        if self.without_fan_k_per_w(pressure_pa) >= whole * (1.0 - 1e-9):
            return []
        least = self.no_fan_k_per_w * whole / self.without_fan_k_per_w(pressure_pa)
        what = "fan_k_per_w comes" if self.fin_point() is None else "fins and fan come"
        counted = " with dust and recirculated exhaust"
        plain = self.dust_factor == 1.0 and self.exhaust_recirculation == 0.0
        text = f"at least {least:.3g} K/W, what {what} to{'' if plain else counted}"
        return [("no_fan_k_per_w", text)]

    def faults(self) -> list[Fault]:
        """Check that stopping the fan does not improve the sink, and fins are given in full."""
        found = self._fin_faults() + self._curve_faults()
        if not found and self.fan_k_per_w is not None:
            found += _fan_order(self.fan_k_per_w, self.no_fan_k_per_w)
        return found + _tachometer(self.fan_tachometer, self.fan_wiring)

    def _curve_faults(self) -> list[Fault]:
        keys = ("fan_middle_flow_m3_per_h", "fan_middle_pa")
        given = [key for key in keys if getattr(self, key) is not None]
        if not given:
            return []
        if len(given) == 1:
            missing = keys[1 - keys.index(given[0])]
            return [(missing, f"it to be stated beside {given[0]}")]
        return [
            (key, f"less than {most} ({getattr(self, most):g})")
            for key, most in zip(keys, ("fan_free_flow_m3_per_h", "fan_stall_pa"), strict=True)
            if getattr(self, most) is not None and getattr(self, key) >= getattr(self, most)
        ]

    def _fin_faults(self) -> list[Fault]:
        missing = [key for key in FIN_KEYS if getattr(self, key) is None]
        if not missing:
            return []
        if len(missing) < len(FIN_KEYS):
            return [(key, "all of " + ", ".join(FIN_KEYS) + ", or none") for key in missing]
        return [
            (key, f"{key} to be stated ({range_}), or the fins and the fan's curve")
            for key, range_ in (("fan_k_per_w", "0.01 to 5 K/W"),
                                ("fan_flow_m3_per_h", "1 to 1000 m3/h"))
            if getattr(self, key) is None
        ]  # fmt: skip


class ColdSink(Section):
    """The sink inside, its fan, and where melt water goes."""

    fan_k_per_w: float = quantity(REQUIRED, 0.02, 10, "K/W", "sink to cabinet air, fan running")
    no_fan_k_per_w: float = quantity(REQUIRED, 0.04, 30, "K/W", "sink to cabinet air, fan stopped")
    heat_capacity_j_per_k: float = quantity(
        REQUIRED, 10, 20000, "J/K", "sink; aluminium is 0.9 J/K for each gram"
    )
    fin_area_m2: float = quantity(REQUIRED, 0.002, 5, "m2", "all fin surface, both sides")
    fin_gap_mm: float = quantity(REQUIRED, 0.5, 50, "mm", "clear gap between two fins")
    fan_w: float = quantity(REQUIRED, 0, 30, "W", "power of the inside fan; it warms the cabinet")
    fan_wiring: FanWiring = choice("own_switch", "what switches the inside fan", INVENTED)
    fan_tachometer: bool = choice(
        False, "whether the inside fan has a wire that gives pulses as it turns", "no such wire"
    )
    drain: Literal["outside", "inside"] = choice(
        "inside", "where melt water goes: outside through a tube, or it stays", INVENTED
    )
    holds_water_g: float = quantity(
        5.0, 0, 500, "g", "water that clings to the fins before it drips", INVENTED
    )
    drain_share: float | None = quantity(
        None, 0, 1, "", "share of the melt water that the tube takes", "all outside, or none inside"
    )
    fan_free_flow_share: float = quantity(
        0.0, 0, 0.95, "", "air through the clean sink over the fan's free flow",
        "0: fixed pressure, the worst for ice; a small axial fan moves 0.4 to 0.7",
    )  # fmt: skip
    water_film_share: float = quantity(
        0.0, 0, 1, "", "share of the clinging water that lies evenly in the gaps",
        "0: it hangs at the lower edges; no source",
    )  # fmt: skip
    frost_density: Literal["hayashi", "hermes", "hosoda_uzuhashi"] = choice(
        "hayashi", "correlation for the density of fresh frost", "Hayashi et al. 1977"
    )
    frost_density_factor: float = quantity(
        1.0, 0.3, 3, "", "on that density; 0.5 and 1.5 span what is known", "as the correlation"
    )
    frost_conductivity: Literal["sanders", "yonko_sepsy", "lee", "ostin_andersson"] = choice(
        "sanders", "correlation for the conductivity of frost", "Sanders 1974"
    )

    @property
    def drained_share(self) -> float:
        """Share of what drips that leaves the cabinet [-]."""
        if self.drain_share is not None:
            return self.drain_share
        return 1.0 if self.drain == "outside" else 0.0

    def faults(self) -> list[Fault]:
        """Check that stopping the fan does not improve the sink, and that a drain is one."""
        found = _fan_order(self.fan_k_per_w, self.no_fan_k_per_w)
        found += _tachometer(self.fan_tachometer, self.fan_wiring)
        if self.drain == "inside" and (self.drain_share or 0.0) > 0.0:
            found.append(("drain_share", '0 for drain = "inside": nothing leaves the cabinet'))
        return found


def _tachometer(fitted: bool, wiring: str) -> list[Fault]:
    # Beside the module it stands still with it, whatever the firmware commands.
    if fitted and wiring == "with_module":
        return [("fan_tachometer", 'false for fan_wiring = "with_module"')]
    return []


def _fan_order(fan_k_per_w: float, no_fan_k_per_w: float) -> list[Fault]:
    if no_fan_k_per_w >= fan_k_per_w:
        return []
    return [("no_fan_k_per_w", f"at least fan_k_per_w ({fan_k_per_w:g} K/W)")]
