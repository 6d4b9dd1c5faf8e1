"""The screen of `coldloop calibrate`."""

from rich.console import Console

from ctrl.calibrate import TOLD_BELOW, Calibration
from ctrl.calibrate_tests import BenchTest, Gain
from ctrl.screen import bullet, digits, duration, fixed, grid_of, heading, paragraph, show_table

WHITE_P = 0.05  # of chance (usual level)
WORTH_IT = 0.9  # a test that leaves more of a standard error is not worth its time
CHANNEL_WORDS = {
    "air_c": "air", "cold_sink_c": "cold sink", "hot_sink_c": "hot sink",
    "contents_c": "contents", "module_a": "module's current", "module_v": "module's voltage",
}  # fmt: skip


def show(out: Console, found: Calibration, tests: tuple[BenchTest, ...]) -> None:
    """Print what the log told, what it did not, and how the twin predicts."""
    log = found.log
    out.print(
        f"{found.config.cabinet.name} ({found.config.source}) from {log.name}: "
        f"{log.counts['rows']} rows, {duration(log.span_s)}, "
        f"{log.counts['outliers']} outliers left out"
    )
    texts = (*found.doubts, *found.setup.notes)
    if found.distrust:
        heading(out, "This twin is not to be trusted")
        for text in found.distrust:
            bullet(out, text)
        if texts:
            heading(out, "Of the log")
    for text in texts:
        bullet(out, text)
    _lumps(out, found)
    heading(out, "What the log tells: times the config's value, or K off")
    table = grid_of(["", "value", "std. error", "left of prior", "told"], "lrrrl")
    for item in found.estimates:
        table.add_row(
            item.words, fixed(item.value, 3), fixed(item.error, 3),
            f"{fixed(100.0 * item.ratio, 0)} %",
            "bound" if item.at_bound else "no" if not item.told else "lump" if item.is_lump
            else "yes",
        )  # fmt: skip
    show_table(out, table)
    paragraph(
        out,
        "Left of prior: this standard error over the spread before the log, in per cent. Told: the "
        f"log by itself takes the spread below {100.0 * TOLD_BELOW:.0f} %; if not, the config's "
        "value stands (of the module's three, it follows the others by the sheet), and how far the "
        "log would have had it elsewhere is counted as error. Lump: told, but as the model's one "
        "node needs it; by how much the part itself may differ is in the error, and no log takes "
        "it away. Bound: as far as the search may go, so neither value nor error is known.",
    )
    pairs = strongest_pairs(found)
    if pairs:
        paragraph(out, "Hang together: " + "; ".join(
            f"{a} and {b} {r:+.2f}" for a, b, r in pairs) + ".")  # fmt: skip
    heading(out, "How it predicts")
    _quality(out, found)
    if tests:
        heading(out, "Next bench test")
        _tests(out, tests)


def _lumps(out: Console, found: Calibration) -> None:
    """Print the lumps, with intervals only where they may be believed."""
    if found.distrust:
        heading(out, "What it comes to (not to be trusted: no intervals)")
        table = grid_of(["", "config", "fit", ""], "lrrl")
        for lump in found.lumps:
            table.add_row(lump.words, digits(lump.before), digits(lump.value), lump.unit)
        show_table(out, table)
        return
    heading(out, "What it comes to (90 % interval)")
    table = grid_of(["", "config", "twin", "from", "to", "", "told"], "lrrrrll")
    for lump in found.lumps:
        low, high = lump.interval
        table.add_row(lump.words, digits(lump.before), digits(lump.value), digits(low),
                      digits(high), lump.unit,
                      "no" if not lump.told else "lump" if lump.is_lump else "yes")  # fmt: skip
    show_table(out, table)
    if not all(lump.told for lump in found.lumps):
        paragraph(out, "Told no: this log hardly narrows what the tolerances allow. The value is "
                  "the config's, or follows from parts that are told; a mistyped config is not "
                  "found out there.")  # fmt: skip


def strongest_pairs(
    found: Calibration, least: float = 0.7, most: int = 4
) -> list[tuple[str, str, float]]:
    """Return the strongest correlations as (words, words, correlation)."""
    matrix, items = found.correlation, found.estimates
    pairs = [
        (items[i].words, items[j].words, float(matrix[i, j]))
        for i in range(len(items)) for j in range(i)
        if abs(matrix[i, j]) >= least
    ]  # fmt: skip
    return sorted(pairs, key=lambda pair: -abs(pair[2]))[:most]


def _quality(out: Console, found: Calibration) -> None:
    table = grid_of(["", "held back", "config's own", "fit", "p"], "lrrrr")
    memory = grid_of(["", "noise", "misfit", "fades in", "blocks", "worth", "lag 1", "then"],
                     "lrrrrrrr")  # fmt: skip
    for (name, white), misfit in zip(found.whiteness.items(), found.misfits, strict=True):
        table.add_row(
            CHANNEL_WORDS[name], fixed(found.tail_rms.get(name), 2),
            fixed(found.before_rms.get(name), 2), fixed(white.rms, 2),
            fixed(white.ljung_box_p, 3),
        )  # fmt: skip
        memory.add_row(
            CHANNEL_WORDS[name], fixed(misfit.noise, 3), fixed(misfit.size, 3),
            duration(misfit.fades_s), str(white.blocks), fixed(white.effective, 0),
            fixed(white.lag_one, 2), fixed(white.lag_one_whitened, 2),
        )  # fmt: skip
    show_table(out, table)
    show_table(out, memory)
    paragraph(
        out,
        f"Held back: the last fifth (from {duration(found.tail_from_s)} on), predicted without a "
        "refit, rms in K, A or V; beside it the config as it was. Noise of a block's mean and a "
        "misfit of the model that fades with time make up the residuals; so many blocks are worth "
        "only so many independent ones. Lag 1: correlation of neighbours, then what is left of it "
        f"with the misfit taken out; p: Ljung-Box of that, white above {WHITE_P:g}.",
    )
    coloured = [
        CHANNEL_WORDS[name]
        for name, white in found.whiteness.items()
        if white.ljung_box_p < WHITE_P
    ]
    if coloured:
        paragraph(out, f"Not white: {', '.join(coloured)}. What is left there is not chance alone; "
                  "the errors count it as a misfit that fades.")  # fmt: skip
    apart = ", ".join(f"{start.cost:.1f}" for start in found.starts)
    paragraph(out, f"Starts of the search (seed {found.seed}) reached a cost of {apart}.")


def _tests(out: Console, tests: tuple[BenchTest, ...]) -> None:
    """Print the best test for each part that is not told, the parts that gain most first."""
    best: dict[str, tuple[BenchTest, Gain]] = {}
    for test in tests:
        for gain in test.gains:
            if gain.name not in best or gain.left < best[gain.name][1].left:
                best[gain.name] = (test, gain)
    for test in tests:
        mine = [gain for chosen, gain in best.values() if chosen is test and gain.left < WORTH_IT]
        if not mine:
            continue
        words = "; ".join(
            f"{gain.words} to {fixed(100.0 * gain.left, 0)} %"
            for gain in sorted(mine, key=lambda gain: gain.left)
        )
        bullet(out, f"{test.words} ({fixed(test.hours)} h). Standard errors shrink: {words}")
    left = [gain.words for _, gain in best.values() if gain.left >= WORTH_IT]
    if left:
        paragraph(out, f"None of {len(tests)} tests tried tells much of: {', '.join(left)}.")
    paragraph(out, "Figures from the model, not from a test. Stop a test at the hot side's limit.")
