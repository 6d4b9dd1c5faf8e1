"""The bench recipes in plain words: what to measure, how, and the file to fill in."""

RECIPE = """\
Three evenings' work with a meter and two thermometers; each test stands alone.

Cautions
  - Ten amperes in thin wire start fires: fuse at the supply end, for the wire.
  - Never run a module without a sink on its hot side: it is too hot within seconds, and
    its solder lets go. Run the hot fan in every test of the module.
  - The hot sink burns skin. A heater in a foam box sets it alight: 10 to 20 W are enough,
    in a metal can that touches no foam, and stay with it. Foam stays below 66 C.
  - A 10 A range of a meter bears 10 A for some seconds: use a shunt for a log.

Thermometers first: both in the same water, stirred. What they differ by is taken off one of
  them; what is left is [meters] thermometer_tolerance_k. It decides most of what follows.

Module: resistance and Seebeck voltage, logged                                [switch_off]
  1. Steady direct current, half of Imax or so, no pulses; both fans running; wait until the
     sinks stand still (ten minutes). 20 K or more between them. Several modules: all of
     them, wired as in use.
  2. Log voltage and current at 50 rows a second or more (1000 is better), voltage right at
     the module's own wires; 5 s before and 5 s after.
  3. Read both sinks' bases. Pull one wire at the module: an open circuit. A switch that
     leaves a diode or a bridge across the module will not do.
  The voltage falls by I R at once; the rest is a dT, and goes as the faces go to their
  sinks, in tenths of a second. The log is extrapolated back to the instant.

The same by hand                                                              [hand_meter]
  1. As above. Read current and voltage while it runs.
  2. Pull the wire, read the voltage as soon as you can, and note the seconds: three, say.
  By then a part of a dT is gone and is taken for I R: the resistance comes out too high, by
  1 to 3 % after some seconds, more with a small sink or a poor joint. coldloop works that
  out with the module's model, takes it off, tells it, and counts all of it as unsure.

Heat sink: K/W                                                    [hot_sink], [cold_sink]
  1. A heater of known volts and amperes on its base (or the module itself: then the heat is
     volts times amperes plus what it takes up inside, extra_heat_w).
  2. Fan as in use. Note base and air at its intake every 5 minutes until it stands.

Heat leak: the empty cabinet, shut, module's wires off           [heat_leak] or [warm_up]
  The idle module lets through about as much as a well-foamed box, and only a guess of it
  can be taken off. Better: take module and sinks out, leave bolts and wires in the wall, and
  fill the hole with foam (module_in_place = false; the opening's own leak is added then).
  Steady is better: a heater of 10 to 20 W inside, its inside fan running, a night long;
  note inside and room. Or cool it down, unplug, and note inside and room every 20 minutes
  while it warms up: then a heat capacity must be known, so put 2 to 5 kg of water in.

The file (BENCH.toml): leave out the tests you did not do
  coldloop check CONFIG --bench BENCH.toml [--out NEW.toml]

[meters]                       # largest errors
current_tolerance_pct = 1.5
voltage_tolerance_pct = 1.0
thermometer_tolerance_k = 0.2  # after comparing them

[switch_off]
file = "switch_off.csv"        # columns time_s, current_a, voltage_v
hot_c = 38.0                   # just before
cold_c = 12.0
thermometers = "sinks"         # or "faces": on the module's ceramics
lead_ohm = 0.0                 # wire between the taps and the module
lead_tolerance_ohm = 0.0

# [hand_meter]                 # in place of [switch_off]
# current_a = 3.02
# on_v = 7.60
# off_v = 1.24
# after_s = 3
# hot_c = 38.0
# cold_c = 12.0

[hot_sink]
time_min = [0, 5, 10, 15, 20]
sink_c = [22.0, 31.4, 33.9, 34.4, 34.5]
air_c = [22.0, 22.1, 22.1, 22.2, 22.2]
voltage_v = 12.0
current_a = 6.0
fan = true

[heat_leak]
time_min = [480, 510, 540]
inside_c = [36.4, 36.5, 36.5]
ambient_c = [22.0, 22.1, 22.1]
voltage_v = 12.0
current_a = 0.9
fan_w = 1.0                    # inside fan, running
module_in_place = true         # false: taken out, the hole filled with foam

[warm_up]
time_min = [0, 30, 60, 90, 120, 150, 180]
inside_c = [4.0, 5.6, 7.0, 8.4, 9.6, 10.7, 11.7]
ambient_c = [22.0, 22.0, 22.1, 22.1, 22.1, 22.0, 22.0]
water_kg = 3.0
"""


def example_file() -> str:
    """Return the file that the recipe ends with, as TOML."""
    return RECIPE[RECIPE.index("[meters]  ") :]
