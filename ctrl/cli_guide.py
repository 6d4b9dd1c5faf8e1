"""The verb `guide`: the page of physics and control, whole or by topic."""

import argparse
import os
import sys

from ctrl.cli_options import command_line_fault
from ctrl.cli_shared import DONE, version, write_json


def declare_guide(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "topic", metavar="TOPIC", nargs="?",
        help="one part alone, such as module or control; `coldloop guide topics` lists them",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object instead")


def run_guide(args: argparse.Namespace) -> int:
    """Show the guide: all of it, one topic, or the list of topics."""
    from ctrl.guide import introduction, topics

    known = topics()
    chosen = known
    if args.topic not in (None, "topics"):
        chosen = tuple(topic for topic in known if topic.topic == args.topic)
    if not chosen:
        names = ", ".join(topic.topic for topic in known)
        raise command_line_fault("no such topic", "TOPIC", repr(args.topic), f"one of {names}")
    if args.json:
        rows = [{"topic": one.topic, "title": one.title, "text": one.text} for one in chosen]
        write_json({"command": "guide", "version": version(), "topics": rows})
    elif args.topic == "topics":
        width = max(len(topic.topic) for topic in known)
        sys.stdout.writelines(f"  {one.topic:<{width}}  {one.title}\n" for one in known)
    else:
        start = [introduction()] if args.topic is None else []
        _show("\n\n".join([*start, *(topic.markdown for topic in chosen)]))
    return DONE


def _show(markdown: str) -> None:
    """Print Markdown, page by page on a terminal; as plain lines anywhere else."""
    from ctrl.screen import console

    out = console()
    if not out.is_terminal or out.is_dumb_terminal:
        sys.stdout.write(markdown)
        return
    from rich.markdown import Markdown

    # As version control does it: let the pager pass colours on, and end by itself
    # where the text fits the screen.
    os.environ.setdefault("LESS", "FRX")
    with out.pager(styles=os.name != "nt"):
        out.print(Markdown(markdown), width=min(out.width, 100))
