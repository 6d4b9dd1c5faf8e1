"""A maker's own controller beside ours: same cabinet, weather, bottles and sensor noise."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ctrl.build import plant_of
from ctrl.cases import Limit, limits_found
from ctrl.config import Config
from ctrl.firmware import Settings, settings_of
from ctrl.linked import Stop
from ctrl.maker import Child, Program, maker_controller
from ctrl.recommend import recommend
from ctrl.simulation import ROW_S, Simulation, simulate

WRITTEN, RECOMMENDED = "as written in the config", "as recommended"


@dataclass(frozen=True)
class MakerTrial:
    """Two runs that differ in the controller alone.

    Parameters
    ----------
    source : str
        The maker's file, as named.
    protected : bool
        Whether our protections stood behind the maker's code.
    maker, ours : Simulation
        The two runs.
    ours_from : str
        Where our settings come from, in words.
    maker_limits, our_limits : tuple of Limit
        The same limits against both.
    stop : Stop or None
        Why the maker's code was no longer asked.
    """

    source: str
    protected: bool
    maker: Simulation
    ours: Simulation
    ours_from: str
    maker_limits: tuple[Limit, ...]
    our_limits: tuple[Limit, ...]
    stop: Stop | None

    @property
    def config(self) -> Config:
        """The cabinet of both."""
        return self.ours.config

    @property
    def stop_words(self) -> str | None:
        """What stopped the maker's code, as one sentence without its full stop."""
        if self.stop is None:
            return None
        return f"your firmware {self.stop.told}"


def our_settings(config: Config, seed: int) -> tuple[Settings, str]:
    """Return our settings and where they come from: the config's, or those recommended."""
    if config.controller.kind != "recommend":
        return settings_of(config), WRITTEN
    found = recommend(config, seed=seed, draws=0)
    return found.chosen.candidate.settings, RECOMMENDED


def maker_trial(
    config: Config,
    source: Path,
    *,
    days: float,
    seed: int,
    row_s: float = ROW_S,
    protected: bool = False,
    progress: Callable[[str], None] = lambda words: None,
) -> MakerTrial:
    """Run a maker's C file and our controller, one after the other.

    Parameters
    ----------
    config : Config
    source : Path
        The C file.
    days : float
        Length of each run [days].
    seed : int
        Of the sensor noise.
    row_s : float
        Spacing of the record's rows [s].
    protected : bool
        True puts our protections behind the maker's code.
    progress : callable
        Told in words what is being worked on.

    Raises
    ------
    ConfigError
        When the file does not compile or there is no compiler.
    """
    progress("compiling your controller")
    with Program(source) as program, Child(program.path) as child:
        outside = maker_controller(config, child, protected=protected)
        progress("running your controller")
        maker = simulate(
            config, days=days, seed=seed, row_s=row_s, settings=settings_of(config),
            outside=outside,
            on_day=lambda day: progress(f"running your controller: day {day:.0f}"),
        )  # fmt: skip
    progress("running ours")
    settings, origin = our_settings(config, seed)
    ours = simulate(config, days=days, seed=seed, row_s=row_s, settings=settings)
    plant = plant_of(config)
    return MakerTrial(
        source=source.name,
        protected=protected,
        maker=maker,
        ours=ours,
        ours_from=origin,
        maker_limits=tuple(limits_found(config, plant, maker.findings, "run")),
        our_limits=tuple(limits_found(config, plant, ours.findings, "run")),
        stop=outside.stop,
    )
