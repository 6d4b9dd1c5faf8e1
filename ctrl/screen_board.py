"""The screen of `coldloop loop`: a line an interval, and how it ended."""

from typing import Any

from rich.console import Console

from ctrl.board import BoardRun
from ctrl.config import Config
from ctrl.linked import LinkedController, time_words
from ctrl.record import Record
from ctrl.screen import fixed, paragraph
from ctrl.screen_live import Look


def show_row(out: Console, config: Config, record: Record, linked: LinkedController) -> None:
    """Print what the cabinet and the board do at the end of an interval."""
    look = Look.of(config, record, 0.0, 1.0)
    row, command = look.row, linked.command
    out.print(
        f"{look.clock}  reading {fixed(row['reading_c'], 2)}  air {fixed(row['air_c'])}  contents "
        f"{fixed(row['contents_c'])}  hot sink {fixed(row['hot_sink_c'])} °C  duty "
        f"{fixed(100.0 * row['duty'], 0)} %  board: state {command.state}, reason {command.reason}",
        soft_wrap=True,
    )
    out.file.flush()


def show_end(out: Console, found: BoardRun) -> None:
    """Print how the run ended, and how good the line was."""
    if found.stop is not None:
        at = time_words(found.stop.at_s)
        paragraph(out, f"The board was given up at {at}: {found.stop.words}.", indent=0)
    late = f", at most {found.late_s:.2f} s behind the clock" if found.late_s > 0.05 else ""
    paragraph(
        out,
        f"{found.hours:.3g} h simulated, {found.ticks} ticks, {found.repeats} asked for again, "
        f"{found.dropped} bytes that belonged to no frame{late}.",
        indent=0,
    )


def board_object(config: Config, found: BoardRun, version: str) -> dict[str, Any]:
    """Return what `loop --json` prints."""
    stop = found.stop
    value = {
        "command": "loop",
        "version": version,
        "config": config.source,
        "cabinet": config.cabinet.name,
        "run_h": found.hours,
        "ticks": found.ticks,
        "repeats": found.repeats,
        "dropped_bytes": found.dropped,
        "late_s": found.late_s,
        "stopped_at_h": None if stop is None else stop.at_s / 3600.0,
        "stopped_by": None if stop is None else stop.words,
    }
    return value if stop is not None else value | {"stopped_at_h_reason": "it ran to the end"}
