"""A maker's own C in the rooms that `recommend` judges, and what flashing ours would change."""

from collections.abc import Callable
from dataclasses import dataclass

from ctrl.build import humidity_at, plant_of
from ctrl.candidates import Candidate
from ctrl.cases import CANNOT, Case, advisory_limits, is_cold_room, run_case
from ctrl.comparison import YOURS
from ctrl.config import Config
from ctrl.firmware import settings_of
from ctrl.linked import LinkedController, Stop
from ctrl.recommend import Recommendation, case_of
from ctrl.recommend_ice import ice_at
from ctrl.side_by_side import side_by_side

PoweredUp = Callable[[], LinkedController]


@dataclass(frozen=True)
class Change:
    """One figure of a room: with the maker's code, with ours; None where it has none."""

    name: str
    unit: str
    decimals: int
    theirs: float | None
    ours: float | None

    @property
    def by(self) -> float | None:
        """What flashing ours changes, in `unit`."""
        if self.theirs is None or self.ours is None:
            return None
        return self.ours - self.theirs


@dataclass(frozen=True)
class MakerRoom:
    """One room, once with the maker's code and once with what is recommended.

    `stop` tells why the maker's code was no longer asked in one of its runs there.
    """

    theirs: Case
    ours: Case
    stop: Stop | None

    @property
    def name(self) -> str:
        """Which room: usual, worst or coldest."""
        return self.ours.name

    @property
    def changes(self) -> tuple[Change, ...]:
        """Every figure beside ours; none of theirs where it stopped."""
        return tuple(
            Change(name, unit, decimals, None if self.stop else read(self.theirs), read(self.ours))
            for name, unit, decimals, read in FIGURES
        )


FIGURES: tuple[tuple[str, str, int, Callable[[Case], float | None]], ...] = (
    ("contents, mean", "°C", 1, lambda case: case.findings.contents_c.mean),
    ("contents, coldest", "°C", 1, lambda case: case.findings.contents_c.min),
    ("contents, warmest", "°C", 1, lambda case: case.findings.contents_c.max),
    ("swing of the air", "K", 2, lambda case: case.findings.swing_k),
    ("energy", "kWh/day", 2, lambda case: case.findings.energy_kwh_per_day),
    ("hot sink, most", "°C", 1, lambda case: case.findings.hot_sink_c.max),
    ("switching", "per h", 1, lambda case: case.findings.cycles_per_hour),
    ("ice in fin gaps, damp", "%", 1, lambda case: case.ice.blockage_pct),
    ("time to cool", "h", 1, lambda case: case.pull_down_h),
)


@dataclass(frozen=True)
class MakerRooms:
    """A maker's C file and a recommendation in the same rooms."""

    source: str
    ours: Recommendation
    rooms: tuple[MakerRoom, ...]

    @property
    def config(self) -> Config:
        """The cabinet of both."""
        return self.ours.config


def broken_words(config: Config, case: Case) -> list[str]:
    """Return each limit that a room breaks, with value, limit and unit; advice is left out."""
    advisory = advisory_limits(is_cold_room(config, case.findings))
    return [
        f"{item.name} {item.value:.1f} {item.unit} (limit {item.limit:.1f} {item.unit})"
        for item in case.limits
        if not item.kept and item.name not in advisory
    ]


def ours_words(found: MakerRooms) -> str:
    """Return whether ours is worth flashing, in words: what it mends, or that it holds no more."""
    if not found.ours.is_safe_to_build:
        return "Flash neither yet: the verdict above says what is not safe to build."
    lacking = [room for room in found.rooms if _lacks(found.config, room.theirs, room.stop)]
    mended = [room.name for room in lacking if not _lacks(found.config, room.ours, None)]
    spoilt = [
        room.name for room in found.rooms
        if room not in lacking and _lacks(found.config, room.ours, None)
    ]  # fmt: skip
    text = "Flashing ours "
    if mended:
        text += f"would keep every limit in the {_and(mended)} room, where yours does not"
    elif lacking:
        text += "would keep no room that yours does not"
    else:
        text += "mends nothing: yours keeps every limit looked at in every room"
    if spoilt:
        text += f"; it would break a limit in the {_and(spoilt)} room, which yours keeps"
    return text + "."


def _lacks(config: Config, case: Case, stop: Stop | None) -> bool:
    return stop is not None or case.verdict == CANNOT or bool(broken_words(config, case))


def _and(names: list[str]) -> str:
    return " and the ".join(names)


def maker_rooms(
    ours: Recommendation,
    source: str,
    powered_up: PoweredUp,
    *,
    workers: int | None = None,
    progress: Callable[[str], None] = lambda stage: None,
) -> MakerRooms:
    """Run a maker's C file in each room of a recommendation, as ours was run there.

    The settled days with the room's usual air, the dampest air for ice (with whatever the file
    does against it), and the pull-down: each from a fresh power-up, with the same seed.

    Parameters
    ----------
    ours : Recommendation
    source : str
        Name of the file.
    powered_up : callable
        Returns it freshly powered up, for one run.
    workers : int, optional
        Threads; as many as cores when left out.
    progress : callable
        Told each stage in words as it begins.
    """
    config, seed = ours.config, ours.seed
    candidate = Candidate(YOURS, config.drive.kind, True, plant_of(config), settings_of(config))
    progress("running your controller in the same rooms")

    def of(numbered: tuple[int, Case]) -> MakerRoom:
        run, own = numbered
        ambient_c, settings = own.ambient_c, candidate.settings
        calm, damp, pulled = powered_up(), powered_up(), powered_up()
        settled = run_case(
            config, candidate.plant, settings, ambient_c, humidity_at(config, ambient_c),
            seed=seed, run=run, outside=calm,
        )  # fmt: skip
        ice = ice_at(config, candidate, settings, ambient_c, config.use.target_c, seed,
                     most_days=5, outside=damp)  # fmt: skip
        case = case_of(config, own.name, settled, ice, None, settings, ours.aim, seed, pulled)
        return MakerRoom(case, own, calm.stop or damp.stop or pulled.stop)

    rooms = side_by_side(of, enumerate(ours.cases), workers)
    return MakerRooms(source, ours, tuple(rooms))
