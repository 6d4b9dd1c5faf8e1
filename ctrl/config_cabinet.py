"""The tables of the file that describe the box and the module."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

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
    words,
)
from ctrl.config_layers import FaceLayers, face_layers, thickness_mm
from plant import envelope, presets


def preset_name(kind: str) -> AfterValidator:
    """Return the check that a text is the name of a shipped preset of that kind."""

    def check(name: str) -> str:
        valid = presets.names(kind)
        if name not in valid:
            context: dict[str, Any] = {
                "kind": kind,
                "valid": valid,
                "nearest": presets.nearest_name(name, valid),
            }
            raise PydanticCustomError("preset", "no such preset", context)
        return name

    return AfterValidator(check)


FACES = ("front", "back", "left", "right", "top", "bottom")


class Cabinet(Section):
    """The box: inside sizes, foam, door, and what leaks past them."""

    name: str = words("cabinet", "what you call it; used in titles")
    inside_width_mm: float = quantity(REQUIRED, 50, 2000, "mm", "inside, left to right")
    inside_depth_mm: float = quantity(REQUIRED, 50, 2000, "mm", "inside, door to back")
    inside_height_mm: float = quantity(REQUIRED, 50, 2000, "mm", "inside, floor to lid")
    foam: Annotated[str, preset_name("foam")] = words(REQUIRED, "foam by name", preset="foam")
    foam_thickness_mm: float = quantity(REQUIRED, 10, 200, "mm", "foam on every face")
    foam_front_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the door, if not the same", "as foam_thickness_mm"
    )
    foam_back_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the back, if not the same", "as foam_thickness_mm"
    )
    foam_left_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the left side, if not the same", "as foam_thickness_mm"
    )
    foam_right_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the right side, if not the same", "as foam_thickness_mm"
    )
    foam_top_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the top, if not the same", "as foam_thickness_mm"
    )
    foam_bottom_mm: float | None = quantity(
        None, 10, 200, "mm", "foam of the floor, if not the same", "as foam_thickness_mm"
    )
    foam_conductivity_w_per_m_k: float | None = quantity(
        None, 0.015, 0.08, "W/(m K)", "your foam's own value at 10 C", "as the named foam"
    )
    lining_heat_capacity_j_per_k: float = quantity(
        0.0, 0, 1e5, "J/K", "heat stored in an inner lining of hardboard or plastic", "no lining"
    )
    door_width_mm: float = quantity(REQUIRED, 20, 2000, "mm", "door opening, width")
    door_height_mm: float = quantity(REQUIRED, 20, 2000, "mm", "door opening, height")
    door_seal_w_per_m_k: float = quantity(
        0.02, 0, 1, "W/(m K)", "heat past each metre of door seal", PRACTICE
    )
    air_changes_per_h: float = quantity(
        0.3, 0, 20, "per h", "air that leaks in with the door shut", PRACTICE
    )
    metal_through_wall_w_per_k: float = quantity(
        0.03, 0, 2, "W/K", "bolts and wires through the wall", PRACTICE
    )
    module_opening_width_mm: float = quantity(
        40.0, 0, 500, "mm", "hole in the back foam for the spacer block, width", "one module"
    )
    module_opening_height_mm: float = quantity(
        40.0, 0, 500, "mm", "hole in the back foam for the spacer block, height", "one module"
    )
    module_opening_w_per_k: float = quantity(
        0.02, 0, 2, "W/K", "heat around the module through that hole", PRACTICE
    )
    inside_film_w_per_m2_k: float = quantity(
        8.0, 1, 100, "W/(m2 K)", "air to inner wall, inside fan running", PRACTICE
    )
    inside_film_fan_stopped_w_per_m2_k: float = quantity(
        6.0, 1, 100, "W/(m2 K)", "air to inner wall, inside fan stopped", PRACTICE
    )
    outside_film_w_per_m2_k: float = quantity(
        8.0, 1, 100, "W/(m2 K)", "outer wall to room air, radiation included", PRACTICE
    )
    sunlit_area_m2: float = quantity(
        0.0, 0, 20, "m2", "outside that sun or a hot thing shines on, seen square on", "shade"
    )
    sun_absorptance: float = quantity(
        0.6, 0.05, 1, "", "share of sunlight it takes: white 0.3, grey 0.6, black 0.95", MEMORY
    )

    door_seal: Annotated[str, preset_name("door seal")] | None = words(
        None, "door seal by name, in place of door_seal_w_per_m_k", 60, "not named", "door seal"
    )
    bolts: int = whole(
        0,
        0,
        100,
        "",
        "bolts through the wall, in place of metal_through_wall_w_per_k",
        "none named",
    )
    bolt_diameter_mm: float = quantity(4.0, 1, 30, "mm", "shank of one bolt", INVENTED)
    bolt_w_per_m_k: float = quantity(
        50.0, 0.1, 400, "W/(m K)", "steel 50, stainless 15, nylon 0.25", MEMORY
    )
    wires_through_wall_mm2: float = quantity(
        0.0,
        0,
        500,
        "mm2",
        "copper of all wires through the wall, counted with the bolts",
        "none named",
    )
    inner_layer_mm: float = quantity(
        0.0, 0, 100, "mm", "layer inside the foam, every face (hardboard, plastic)", "no layer"
    )
    inner_layer_w_per_m_k: float = quantity(
        0.15, 0.003, 250, "W/(m K)", "of that layer; wood and plastic 0.12 to 0.2", MEMORY
    )
    outer_layer_mm: float = quantity(
        0.0, 0, 100, "mm", "layer outside the foam, every face (plywood, more foam)", "no layer"
    )
    outer_layer_w_per_m_k: float = quantity(
        0.13, 0.003, 250, "W/(m K)", "of that layer; plywood 0.13, vacuum panel 0.005", MEMORY
    )
    outer_layer_heat_capacity_j_per_k: float = quantity(
        0.0, 0, 1e6, "J/K", "heat stored in that layer; plywood is 1500 for each kg", "no layer"
    )
    outer_layer_front_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer on the door, if not the same", "as outer_layer_mm"
    )
    outer_layer_back_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer on the back, if not the same", "as outer_layer_mm"
    )
    outer_layer_left_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer on the left side, if not the same", "as outer_layer_mm"
    )
    outer_layer_right_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer on the right side, if not the same", "as outer_layer_mm"
    )
    outer_layer_top_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer on the top, if not the same", "as outer_layer_mm"
    )
    outer_layer_bottom_mm: float | None = quantity(
        None, 0, 100, "mm", "that layer under the floor, if not the same", "as outer_layer_mm"
    )

    layers_front: str | None = words(
        None, "layers of the door, inside to outside: 3 mm at 0.15 W/(m K), foam, 6 mm at 0.13",
        200, "as the keys above",
    )  # fmt: skip
    layers_back: str | None = words(
        None, "layers of the back, as layers_front", 200, "as the keys above",
    )  # fmt: skip
    layers_left: str | None = words(
        None, "layers of the left side, as layers_front", 200, "as the keys above",
    )  # fmt: skip
    layers_right: str | None = words(
        None, "layers of the right side, as layers_front", 200, "as the keys above",
    )  # fmt: skip
    layers_top: str | None = words(
        None, "layers of the top, as layers_front", 200, "as the keys above",
    )  # fmt: skip
    layers_bottom: str | None = words(
        None, "layers of the floor, as layers_front", 200, "as the keys above",
    )  # fmt: skip

    @property
    def seal_w_per_m_k(self) -> float:
        """Heat past each metre of door seal [W/(m K)], named or given."""
        if self.door_seal is not None:
            return presets.seal(self.door_seal).w_per_m_k
        return self.door_seal_w_per_m_k

    @property
    def metal_w_per_k(self) -> float:
        """Bolts and wires through the wall [W/K], from size and number or as given."""
        if self.bolts == 0 and self.wires_through_wall_mm2 == 0.0:
            return self.metal_through_wall_w_per_k
        length_mm = self.face_thickness_mm["back"]
        return envelope.metal_through_wall_w_per_k(
            self.bolts,
            self.bolt_diameter_mm * 1e-3,
            self.bolt_w_per_m_k,
            self.wires_through_wall_mm2 * 1e-6,
            length_mm * 1e-3,
        )

    @property
    def face_foam_mm(self) -> dict[str, float]:
        """Foam thickness of each of the six faces [mm]."""
        own = {face: getattr(self, f"foam_{face}_mm") for face in FACES}
        return {face: self.foam_thickness_mm if t is None else t for face, t in own.items()}

    @property
    def inside_volume_l(self) -> float:
        """Volume of the empty box [litres]."""
        return self.inside_width_mm * self.inside_depth_mm * self.inside_height_mm * 1e-6

    @property
    def outside_area_m2(self) -> float:
        """Surface of the finished box outside [m2]."""
        around = self.face_thickness_mm
        return 1e-6 * envelope.surface_m2(
            self.inside_width_mm + around["left"] + around["right"],
            self.inside_depth_mm + around["front"] + around["back"],
            self.inside_height_mm + around["top"] + around["bottom"],
        )

    @property
    def face_outer_layer_mm(self) -> dict[str, float]:
        """Thickness of the layer outside the foam on each of the six faces [mm]."""
        own = {face: getattr(self, f"outer_layer_{face}_mm") for face in FACES}
        return {face: self.outer_layer_mm if t is None else t for face, t in own.items()}

    @property
    def face_layers(self) -> dict[str, FaceLayers | None]:
        """The six faces' own layers, None where a face has the layers of all."""
        own = {face: getattr(self, f"layers_{face}") for face in FACES}
        return {face: None if text is None else face_layers(text) for face, text in own.items()}

    @property
    def face_thickness_mm(self) -> dict[str, float]:
        """Thickness of the six faces, foam and layers [mm]."""
        beside = {
            face: self.inner_layer_mm + self.face_outer_layer_mm[face]
            if own is None
            else thickness_mm(own.inner + own.outer)
            for face, own in self.face_layers.items()
        }
        return {face: foam + beside[face] for face, foam in self.face_foam_mm.items()}

    def _layer_faults(self) -> list[Fault]:
        found: list[Fault] = []
        for face in FACES:
            key, text = f"layers_{face}", getattr(self, f"layers_{face}")
            if text is None:
                continue
            try:
                face_layers(text)
            except ValueError as error:
                found.append((key, str(error)))
            other = f"outer_layer_{face}_mm"
            if other in self.model_fields_set:
                found.append((other, f"no such key beside {key}: one or the other"))
        return found

    def foam_data(self) -> presets.Foam:
        """Return the named foam's data (the override is not applied)."""
        return presets.foam(self.foam)

    def faults(self) -> list[Fault]:
        """Check that door and module opening fit into their faces, and what layers say."""
        if found := self._layer_faults():
            return found
        limits = (
            ("door_width_mm", self.inside_width_mm, "front face"),
            ("door_height_mm", self.inside_height_mm, "front face"),
            ("module_opening_width_mm", self.inside_width_mm, "back face"),
            ("module_opening_height_mm", self.inside_height_mm, "back face"),
        )
        found = [
            (key, f"at most {limit:g} mm, the inside of the {face}")
            for key, limit, face in limits
            if getattr(self, key) > limit
        ]
        half_m2 = 0.5 * self.outside_area_m2
        if self.sunlit_area_m2 > half_m2:
            expected = f"at most {half_m2:.2f} m2: nothing shines on more than half of the outside"
            found.append(("sunlit_area_m2", expected))
        given = self.model_fields_set
        if self.door_seal is not None and "door_seal_w_per_m_k" in given:
            found.append(("door_seal_w_per_m_k", "no such key beside door_seal: one or the other"))
        named = [key for key in ("bolts", "wires_through_wall_mm2") if getattr(self, key)]
        if named and "metal_through_wall_w_per_k" in given:
            expected = f"no such key beside {named[0]}: one or the other"
            found.append(("metal_through_wall_w_per_k", expected))
        return found


SHEET_KEYS = ("couples", "imax_a", "vmax_v", "dtmax_k", "qmax_w", "sheet_hot_side_c")
STACK_KEYS = ("upper_stage_couples", "middle_contact_k_per_w", "sheet_covers")


class Module(Section):
    """The thermoelectric module: a preset by name, or the six values of its sheet."""

    preset: Annotated[str, preset_name("module")] | None = words(
        None,
        "module class by couples and amps; or leave out and give the sheet",
        60,
        "sheet",
        "module",
    )
    couples: int | None = whole(None, 7, 1000, "", "number of couples", "preset")
    imax_a: float | None = quantity(None, 0.3, 60, "A", "sheet: Imax", "preset")
    vmax_v: float | None = quantity(None, 0.5, 150, "V", "sheet: Vmax", "preset")
    dtmax_k: float | None = quantity(None, 30, 100, "K", "sheet: largest difference", "preset")
    qmax_w: float | None = quantity(None, 0.2, 1000, "W", "sheet: Qmax", "preset")
    sheet_hot_side_c: float | None = quantity(
        None, 20, 100, "C", "hot side the sheet was taken at", "preset"
    )
    in_series: int = whole(1, 1, 8, "", "modules one after the other on the wire", "one module")
    in_parallel: int = whole(1, 1, 8, "", "such strings side by side", "one module")
    derating: float = quantity(
        1.0,
        0.5,
        1,
        "",
        "share of the sheet's Seebeck coefficient you trust; 0.9 suits commodity parts and takes "
        "about a fifth of Qmax and 9 K of dTmax",
        PRACTICE,
    )
    cold_contact_k_per_w: float = quantity(
        0.03, 0, 2, "K/W", "paste between modules and cold sink, all together", PRACTICE
    )
    hot_contact_k_per_w: float = quantity(
        0.03, 0, 2, "K/W", "paste between modules and hot sink, all together", PRACTICE
    )
    face_heat_capacity_j_per_k: float = quantity(
        6.0, 0.5, 500, "J/K", "one ceramic face with its tabs; 40 x 40 mm is 4.4 bare", MEMORY
    )

    ac_resistance_ohm: float | None = quantity(
        None, 0.005, 200, "ohm", "sheet: AC resistance at 25 C, if printed", "as the preset or none"
    )
    imax_tolerance_pct: float = quantity(
        10.0, 0.5, 50, "%", "how far the sheet's Imax may be off; its optimum is flat", PRACTICE
    )
    vmax_tolerance_pct: float = quantity(
        5.0, 0.5, 50, "%", "how far the sheet's Vmax may be off", PRACTICE
    )
    dtmax_tolerance_pct: float = quantity(
        3.0, 0.5, 50, "%", "how far the sheet's largest difference may be off", PRACTICE
    )
    qmax_tolerance_pct: float = quantity(
        10.0, 0.5, 50, "%", "how far the sheet's Qmax may be off", PRACTICE
    )
    ac_resistance_tolerance_pct: float = quantity(
        5.0, 0.5, 50, "%", "how far the sheet's AC resistance may be off", PRACTICE
    )
    temperature_dependence: bool = choice(
        True, "whether a, R and K change with temperature as bismuth telluride's", MEMORY
    )
    stages: int = whole(1, 1, 2, "", "stages on top of each other, in electrical series", "one")
    upper_stage_couples: int | None = whole(
        None, 1, 1000, "", "couples of the upper, cold stage, for stages = 2", "must be stated"
    )
    sheet_covers: Literal["whole_module", "lower_stage"] = choice(
        "whole_module", "what the sheet speaks of, for stages = 2", "one part"
    )
    middle_contact_k_per_w: float = quantity(
        0.0,
        0,
        2,
        "K/W",
        "joint between the stages of one module, for stages = 2",
        "soldered as one part",
    )

    def sheet(self) -> presets.ModuleSheet:
        """Return the sheet values of one module, from the preset or from the file."""
        if self.preset is not None:
            return presets.module(self.preset)
        values = {key: getattr(self, key) for key in (*SHEET_KEYS, "ac_resistance_ohm")}
        return presets.ModuleSheet(**values, source="the configuration file")

    @property
    def upper_share(self) -> float:
        """Share of the couples in the upper stage [-]; a half where there is none."""
        if self.upper_stage_couples is None:
            return 0.5
        whole_stack = self.sheet().couples
        if self.sheet_covers == "lower_stage":
            whole_stack += self.upper_stage_couples
        return self.upper_stage_couples / whole_stack

    def faults(self) -> list[Fault]:
        """Check that exactly one of preset and sheet is given, and the stages in full."""
        return self._sheet_faults() or self._stage_faults()

    def _stage_faults(self) -> list[Fault]:
        if self.stages == 1:
            set_keys = [key for key in STACK_KEYS if key in self.model_fields_set]
            return [(key, "no such key for stages = 1") for key in set_keys]
        if self.upper_stage_couples is None:
            return [("upper_stage_couples", "it to be stated for stages = 2 (1 to 1000)")]
        # With more couples above than below, the lower stage cannot carry off the heat.
        couples = self.sheet().couples
        most = couples if self.sheet_covers == "lower_stage" else couples // 2
        if self.upper_stage_couples > most:
            return [("upper_stage_couples", f"at most {most}, no more than in the lower stage")]
        return []

    def _sheet_faults(self) -> list[Fault]:
        given = [
            key for key in (*SHEET_KEYS, "ac_resistance_ohm") if getattr(self, key) is not None
        ]
        if self.preset is not None:
            return [(key, "no sheet value beside preset: give one or the other") for key in given]
        if not given:
            return [("preset", "a module name here, or the six sheet values")]
        return [
            (key, "all six sheet values when preset is left out")
            for key in SHEET_KEYS
            if key not in given
        ]
