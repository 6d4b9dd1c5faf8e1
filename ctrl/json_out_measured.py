"""What `coldloop check --bench --json` prints."""

from dataclasses import asdict

from ctrl.json_out_base import Object, opening, or_why
from ctrl.measured import BenchCheck, Comparison, ModuleClass


def _class(item: ModuleClass) -> Object:
    return {
        "name": item.name,
        "resistance_ratio": item.resistance_ratio,
        "seebeck_ratio": item.seebeck_ratio,
        "misfit_errors": item.misfit,
    }


def _row(row: Comparison) -> Object:
    return {
        "name": row.name,
        "unit": row.unit,
        "value": row.measured.value,
        "standard_error": row.measured.standard_error,
        "error_parts": [asdict(part) for part in row.measured.parts],
        "expected": row.expected,
        "expected_error": row.expected_error,
        "off_errors": row.off,
        "how": row.how,
        "notes": list(row.notes),
    } | or_why("steady", row.steady, "not a steady test")


def of_bench(found: BenchCheck, version: str) -> Object:
    """Return what the readings tell, and the lines to paste."""
    module: Object | None = None
    if found.module is not None:
        module = {
            "resistance_as_it_was_ohm": found.module.resistance_as_it_was_ohm,
            "seebeck_as_it_was_v_per_k": found.module.seebeck_as_it_was_v_per_k,
            "faces_mean_c": found.module.mean_c,
            "faces_apart_k": found.module.difference_k,
            "plain_step_pct": found.module.bias_pct,
        }
    label: Object | None = None
    if found.label is not None:
        label = {
            "verdict": found.label.verdict,
            "words": found.label.words,
            "labelled": _class(found.label.labelled),
            "classes": [_class(item) for item in found.label.classes],
        }
    no_label = "two stages" if found.module is not None else "no module test"
    return (
        opening("check", found.config, version)
        | {
            "bench_file": found.file,
            "measured": [_row(row) for row in found.comparisons],
        }
        | or_why("module_test", module, "no module test")
        | or_why("label", label, no_label)
        | {
            "lines": [
                {"key": f"{line.section}.{line.key}", "value": line.value, "why": line.comment}
                for line in found.lines
            ],
            "notes": list(found.notes),
        }
    )
