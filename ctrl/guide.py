"""The guide that travels with the tool: physics and control in plain words, by topic."""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

GUIDE_FILE = Path(__file__).resolve().with_name("guide.md")
HEADING = re.compile(r"^## (?P<topic>[a-z-]+): (?P<title>.+)$", re.MULTILINE)


@dataclass(frozen=True)
class Topic:
    """One part of the guide: the word to ask for it by, its title, its Markdown text."""

    topic: str
    title: str
    text: str

    @property
    def markdown(self) -> str:
        """Return title and text as Markdown."""
        return f"## {self.title}\n\n{self.text}\n"


@cache
def introduction() -> str:
    """Return what stands before the first topic, as Markdown."""
    return HEADING.split(GUIDE_FILE.read_text(encoding="utf-8"), maxsplit=1)[0].strip()


@cache
def topics() -> tuple[Topic, ...]:
    """Return every topic in the guide's order."""
    # A split by a pattern with two groups: what came before, then word, title, text in turn.
    parts = HEADING.split(GUIDE_FILE.read_text(encoding="utf-8"))[1:]
    return tuple(
        Topic(word, title, text.strip())
        for word, title, text in zip(parts[0::3], parts[1::3], parts[2::3], strict=True)
    )
