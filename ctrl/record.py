"""What one run leaves behind: named signals over time, and the run's balances."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ctrl.files import replace_file

# One name per column of the record, in order. Temperatures are °C here: a record is the
# edge where people, plots and CSV files read. The glossary in DEVELOPERS.md lists them.
COLUMNS = (
    "time_s", "ambient_c", "air_c", "contents_c", "cold_sink_c", "hot_sink_c", "cold_face_c",
    "hot_face_c", "foam_c", "wall_surface_c", "air_rh_pct", "frost_g", "sink_water_g",
    "wall_water_g", "water_out_g", "blockage_pct", "frozen_share", "door", "duty", "current_a",
    "hot_fan", "cold_fan", "plug_w", "energy_kwh", "reading_c", "state", "reason",
    "starts",
    "outer_surface_c", "ambient_dew_c", "deposit_g", "supply_v", "given_off_g",
)  # fmt: skip
INDEX = {name: i for i, name in enumerate(COLUMNS)}


@dataclass(frozen=True)
class Record:
    """Signals of a run.

    Parameters
    ----------
    table : ndarray, shape (rows, len(COLUMNS))
        One row every `row_s` seconds; a row holds the end of its tick.
    tick_s, row_s : float
        Base tick and spacing of the rows [s].
    start_state, end_state : ndarray, shape (STATES,)
        State vector of the plant before and after.
    energy_residual_rel, water_residual_rel : float
        Stored minus booked, over the throughput [-].
    seed, run : int
        Of the sensor noise.
    """

    table: np.ndarray
    tick_s: float
    row_s: float
    start_state: np.ndarray
    end_state: np.ndarray
    energy_residual_rel: float
    water_residual_rel: float
    seed: int
    run: int

    def __getitem__(self, name: str) -> np.ndarray:
        """Return one signal, shape (rows,), by its column name."""
        return self.table[:, INDEX[name]]

    @property
    def duration_s(self) -> float:
        """Length of the run [s]."""
        return float(self["time_s"][-1] - self["time_s"][0] + self.row_s)

    def last(self, seconds: float) -> "Record":
        """Return the record of the last `seconds` [s] only."""
        rows = max(1, round(seconds / self.row_s))
        return Record(
            self.table[-rows:], self.tick_s, self.row_s, self.start_state, self.end_state,
            self.energy_residual_rel, self.water_residual_rel, self.seed, self.run,
        )  # fmt: skip

    def write_csv(self, path: Path, row_s: float | None = None) -> None:
        """Write the signals to a CSV file with one header line.

        Parameters
        ----------
        path : Path
            Written beside itself first, then renamed.
        row_s : float, optional
            Spacing of the rows [s]; all rows when left out.
        """
        step = 1 if row_s is None else max(1, round(row_s / self.row_s))
        with replace_file(path) as stream:
            writer = csv.writer(stream)
            writer.writerow(COLUMNS)
            for row in self.table[step - 1 :: step]:
                writer.writerow(
                    [f"{value:.6g}" if i else f"{value:.10g}" for i, value in enumerate(row)]
                )
