"""The tables of the file that describe supply, drive and sensors."""

from typing import ClassVar, Literal

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

BATTERY_KEYS = (
    "battery_ah",
    "low_battery_cut_off_v",
    "low_battery_resume_v",
    "charging_voltage_v",
    "charging_from_hour",
    "charging_to_hour",
)


class Supply(Section):
    """Where the power comes from, with its wire and its fuse."""

    only_for: ClassVar[dict[str, tuple[str, ...]]] = {"battery": BATTERY_KEYS}

    kind: Literal["mains", "battery"] = choice(REQUIRED, "where the power comes from")
    voltage_v: float = quantity(REQUIRED, 3, 60, "V", "usual voltage")
    highest_voltage_v: float = quantity(
        REQUIRED, 3, 60, "V", "highest; a 12 V battery on charge stands at 14.4"
    )
    lowest_voltage_v: float = quantity(REQUIRED, 2, 60, "V", "lowest")
    current_limit_a: float = quantity(
        30.0, 0.2, 200, "A", "most the supply gives", "a battery gives more than the fuse lets"
    )
    efficiency: float = quantity(
        1.0, 0.5, 1, "", "direct current out for mains in; 1 for a battery", "battery"
    )
    standby_w: float = quantity(0.0, 0, 50, "W", "drawn all the time, controller included", "none")
    source_resistance_ohm: float = quantity(
        0.03, 0, 5, "ohm", "battery or supply with its terminals", PRACTICE
    )
    wire_length_m: float = quantity(
        1.0, 0, 50, "m", "supply to module, one way; the current goes there and back", INVENTED
    )
    wire_mm2: float = quantity(1.5, 0.1, 50, "mm2", "copper section of the wire", PRACTICE)
    fuse_a: float = quantity(10.0, 0.1, 200, "A", "fuse at the supply end of the wire", PRACTICE)
    battery_ah: float | None = quantity(
        None, 1, 5000, "Ah", "battery capacity", "not known: no hours are given"
    )
    low_battery_cut_off_v: float | None = quantity(
        None, 2, 60, "V", "below this the module stays off", "no cut-off"
    )
    low_battery_resume_v: float | None = quantity(
        None, 2, 60, "V", "above this it may run again", "no cut-off"
    )
    contact_resistance_ohm: float = quantity(
        0.0, 0, 1, "ohm", "terminals, crimps and fuse holder between supply and drive",
        "counted in source_resistance_ohm",
    )  # fmt: skip
    protection: Literal["constant_current", "hiccup", "latch_off"] = choice(
        "constant_current",
        "above current_limit_a: holds the current; pauses and retries; off until unplugged",
        PRACTICE,
    )
    hiccup_s: float = quantity(2.0, 0.1, 600, "s", "pause of a hiccup before it retries", PRACTICE)
    minimum_load_a: float = quantity(
        0.0, 0, 50, "A", "least load at which the supply keeps its voltage", "none"
    )
    full_load_w: float | None = quantity(
        None, 1, 5000, "W", "power out at which efficiency holds", "the same at every load"
    )
    fixed_loss_w: float = quantity(
        0.0, 0, 100, "W", "part of that loss that stays at no load; not in standby_w", "none"
    )
    charging_voltage_v: float | None = quantity(
        None, 3, 60, "V", "battery while charging", "never charged"
    )
    charging_from_hour: float | None = quantity(
        None, 0, 24, "h", "hour when charging begins", "never charged"
    )
    charging_to_hour: float | None = quantity(
        None, 0, 24, "h", "hour when it ends, past midnight too", "never charged"
    )

    def faults(self) -> list[Fault]:
        """Check the order of the voltages and what each kind must state."""
        found: list[Fault] = []
        if self.highest_voltage_v < self.voltage_v:
            found.append(("highest_voltage_v", f"at least voltage_v ({self.voltage_v:g} V)"))
        if self.lowest_voltage_v > self.voltage_v:
            found.append(("lowest_voltage_v", f"at most voltage_v ({self.voltage_v:g} V)"))
        found += self._mains_faults() + self._cut_off_faults() + self._charging_faults()
        if self.protection != "hiccup" and "hiccup_s" in self.model_fields_set:
            found.append(("hiccup_s", 'it only with protection = "hiccup"'))
        if self.fixed_loss_w == 0.0 and self.full_load_w is None:
            return found
        if self.kind == "battery":
            key = "fixed_loss_w" if self.full_load_w is None else "full_load_w"
            return [*found, (key, 'none for kind = "battery" (nothing is converted)')]
        return found + loss_faults(
            "full_load_w", self.full_load_w, "fixed_loss_w", self.fixed_loss_w, self.efficiency
        )

    def _charging_faults(self) -> list[Fault]:
        stated = [
            key
            for key in ("charging_voltage_v", "charging_from_hour", "charging_to_hour")
            if getattr(self, key) is None
        ]
        if len(stated) == 3:
            return []
        if stated:
            return [(key, "charging voltage and both hours, or none of them") for key in stated]
        volts = self.charging_voltage_v or 0.0
        if self.voltage_v <= volts <= self.highest_voltage_v:
            return []
        between = f"{self.voltage_v:g} to {self.highest_voltage_v:g} V"
        return [("charging_voltage_v", f"from voltage_v to highest_voltage_v ({between})")]

    def _mains_faults(self) -> list[Fault]:
        if self.kind == "battery":
            if self.efficiency == 1.0:
                return []
            return [("efficiency", 'exactly 1 for kind = "battery" (nothing is converted)')]
        return [
            (key, f'{key} to be stated for kind = "mains" ({range_})')
            for key, range_ in (("efficiency", "0.5 to 1"), ("current_limit_a", "0.2 to 200 A"))
            if key not in self.model_fields_set
        ]

    def _cut_off_faults(self) -> list[Fault]:
        cut_off, resume = self.low_battery_cut_off_v, self.low_battery_resume_v
        if cut_off is None and resume is None:
            return []
        if cut_off is None:
            return [("low_battery_cut_off_v", "both cut-off and resume voltage, or neither")]
        if resume is None:
            return [("low_battery_resume_v", "both cut-off and resume voltage, or neither")]
        found: list[Fault] = []
        if resume <= cut_off:
            expected = f"above low_battery_cut_off_v ({cut_off:g} V)"
            found.append(("low_battery_resume_v", expected))
        if cut_off >= self.voltage_v:
            found.append(("low_battery_cut_off_v", f"below voltage_v ({self.voltage_v:g} V)"))
        return found


def loss_faults(
    load_key: str, full_load_w: float | None, loss_key: str, fixed_w: float, efficiency: float
) -> list[Fault]:
    """Check that a fixed loss is part of the loss at full load."""
    if full_load_w is None:
        return [(load_key, f"it to be stated with {loss_key} (W)")] if fixed_w > 0.0 else []
    loss_w = full_load_w * (1.0 / efficiency - 1.0)
    if fixed_w <= loss_w:
        return []
    return [(loss_key, f"at most the whole loss at full load ({loss_w:.3g} W)")]


class Drive(Section):
    """What stands between supply and module, and how it makes less than full power."""

    # A relay has no settings of its own; it is named so that foreign keys are refused.
    only_for: ClassVar[dict[str, tuple[str, ...]]] = {
        "relay": ("contacts",),
        "fast_pwm": ("frequency_hz", "reversible"),
        "smoothed": (
            "frequency_hz",
            "converter_efficiency",
            "ripple",
            "converter_full_load_w",
            "converter_fixed_loss_w",
            "reversible",
        ),
        "current": (
            "set_current_a",
            "converter_efficiency",
            "ripple",
            "converter_full_load_w",
            "converter_fixed_loss_w",
            "reversible",
        ),
        "slow_window": ("window_s", "window_min_on_s", "contacts"),
    }

    kind: Literal["relay", "fast_pwm", "smoothed", "current", "slow_window"] = choice(
        REQUIRED,
        "relay on and off; fast pulses; smoothed direct current; regulated current; "
        "relay or switch on for a share of a slow window",
    )
    frequency_hz: float = quantity(
        25000.0, 1, 1e6, "Hz", "switching frequency; 20 to 50 kHz cannot be heard", PRACTICE
    )
    switch_resistance_ohm: float = quantity(
        0.02, 0, 2, "ohm", "switch or relay contact, closed and warm", PRACTICE
    )
    converter_efficiency: float = quantity(
        0.92, 0.5, 1, "", "power out for power in of the converter", PRACTICE
    )
    ripple: float = quantity(
        0.05, 0, 1, "", "rms ripple for mean current; stay below 0.1", PRACTICE
    )
    set_current_a: float | None = quantity(
        None, 0.1, 100, "A", 'current at full duty, for kind = "current"', "must be stated there"
    )
    off_mode: Literal["open", "shorted", "hold", "reversed"] = choice(
        "open",
        "module while off: open circuit; shorted by a bridge; a small current that cancels "
        "its conduction; a small current the wrong way",
        PRACTICE,
    )
    hold_current_a: float | None = quantity(
        None, 0.01, 20, "A", "that small current",
        "cancels the conduction from the usual room to the target",
    )  # fmt: skip
    converter_full_load_w: float | None = quantity(
        None, 1, 2000, "W", "power out at which converter_efficiency holds",
        "the same at every load",
    )  # fmt: skip
    converter_fixed_loss_w: float = quantity(
        0.0, 0, 50, "W", "part of that loss that stays while the converter runs", "none"
    )
    window_s: float = quantity(
        60.0, 2, 3600, "s", "slow window: a duty is on-time in this", PRACTICE
    )
    window_min_on_s: float = quantity(
        5.0, 0, 600, "s", "slow window: least time on, and off; the rest is carried on", PRACTICE
    )
    contacts: bool = choice(
        True, "relay or slow window: contacts, which wear; false for a solid-state switch", PRACTICE
    )
    reversible: bool = choice(
        False, "whether a bridge can swap the module's leads, for a reversed defrost", "no bridge"
    )

    def faults(self) -> list[Fault]:
        """Check what one kind of drive must state."""
        found: list[Fault] = []
        if self.kind == "current" and self.set_current_a is None:
            found.append(("set_current_a", 'it to be stated for kind = "current" (0.1 to 100 A)'))
        if self.kind == "fast_pwm" and self.frequency_hz < 100.0:
            # Below this the faces follow each pulse and averaging I and I^2 fails.
            found.append(("frequency_hz", "at least 100 Hz for pulses that average out"))
        if 2.0 * self.window_min_on_s > self.window_s:
            found.append(("window_min_on_s", f"at most half of window_s ({self.window_s:g} s)"))
        if self.off_mode in ("open", "shorted") and self.hold_current_a is not None:
            found.append(("hold_current_a", 'it only with off_mode = "hold" or "reversed"'))
        if self.off_mode == "reversed" and self.hold_current_a is None:
            found.append(("hold_current_a", 'it to be stated with off_mode = "reversed" (A)'))
        return found + loss_faults(
            "converter_full_load_w", self.converter_full_load_w,
            "converter_fixed_loss_w", self.converter_fixed_loss_w, self.converter_efficiency,
        )  # fmt: skip


THERMISTOR_KEYS = ("r25_ohm", "beta_k", "divider_ohm", "adc_bits")


class FittedSensor(Section):
    """A temperature sensor as the microcontroller sees it."""

    only_for: ClassVar[dict[str, tuple[str, ...]]] = {
        "thermistor": THERMISTOR_KEYS,
        "digital": ("conversion_s",),
    }

    kind: Literal["thermistor", "digital"] = choice(
        REQUIRED, "thermistor with divider and ADC, or digital in steps of 1/16 C"
    )
    lag_s: float = quantity(15.0, 0, 600, "s", "time constant where it sits", PRACTICE)
    r25_ohm: float = quantity(10000.0, 100, 1e6, "ohm", "thermistor at 25 C", PRACTICE)
    beta_k: float = quantity(3950.0, 1000, 6000, "K", "thermistor beta, 25 to 85 C", PRACTICE)
    divider_ohm: float = quantity(
        10000.0, 100, 1e6, "ohm", "fixed resistor, from reference to thermistor", PRACTICE
    )
    adc_bits: int = whole(10, 8, 16, "bit", "width of the converter", PRACTICE)
    conversion_s: float = quantity(
        0.75, 0.02, 10, "s", "time for one digital reading, 12 bit", "sensor sheet"
    )
    noise_k: float = quantity(0.03, 0, 5, "K", "noise, root mean square", INVENTED)
    tolerance_k: float = quantity(0.5, 0, 10, "K", "largest error, plus or minus", MEMORY)


class Sensor(FittedSensor):
    """The sensor that controls the temperature."""

    place: Literal["air", "cold_sink", "contents"] = choice("air", "where it sits", PRACTICE)
