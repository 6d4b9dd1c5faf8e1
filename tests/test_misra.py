"""Every C file of every export keeps MISRA C:2012, or says beside the line why not."""

from pathlib import Path

import misra
import pytest
from largest_firmware import LAWS, largest, write_firmware

from ctrl.firmware_text import C_FOLDER

needs_cppcheck = pytest.mark.skipif(
    misra.addon() is None, reason="cppcheck is not installed: apt-get install cppcheck"
)
KNOWN_BAD = Path(__file__).with_name("known_bad.c")


@needs_cppcheck
def test_a_known_bad_file_is_caught(tmp_path):
    found, _ = misra.findings([KNOWN_BAD], tmp_path)
    told = {
        (number, rule)
        for number, line in enumerate(KNOWN_BAD.read_text().splitlines(), start=1)
        if "/* rule " in line
        for rule in line.split("/* rule ")[1].split(" */")[0].split(", ")
    }
    assert len(told) >= 8
    assert told <= {(item.line, item.rule) for item in found}


@needs_cppcheck
def test_justifications_are_held_against_findings(tmp_path):
    text = KNOWN_BAD.read_text()
    bad = tmp_path / "bad.c"
    work = tmp_path / "work"
    work.mkdir()
    first = next(line for line in text.splitlines() if "/* rule 10.3 */" in line)
    excused = first.replace("/* rule 10.3 */", "/* MISRA 10.3: on purpose */")
    idle = "/* MISRA 11.4: there is no such thing here */\nstatic uint16_t counter;"
    bad.write_text(text.replace(first, excused).replace("static uint16_t counter;", idle))
    faults = misra.faults([bad], work)
    assert not any("breaks rule 10.3" in fault for fault in faults)
    assert any("breaks rule 15.1" in fault for fault in faults)
    assert any("justifies rule 11.4, which it keeps" in fault for fault in faults)


@needs_cppcheck
@pytest.mark.parametrize("law", LAWS)
def test_exports_keep_misra(law, tmp_path):
    folder = write_firmware(largest(law), tmp_path / "export")
    (tmp_path / "work").mkdir()
    sources = sorted(folder.glob("*.c"))
    if law != "pi":  # what all share is looked at once
        sources = [folder / f"law_{law}.c", folder / "settings.c"]
    assert misra.faults(sources, tmp_path / "work") == []


@needs_cppcheck
def test_the_link_keeps_misra(tmp_path):
    assert misra.faults([C_FOLDER / "link.c"], tmp_path) == []
