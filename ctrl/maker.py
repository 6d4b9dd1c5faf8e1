"""A maker's own controller in C: compiled, and run in a child process over the link.

The interface is in `firmware_c/maker.h`.  Whatever the code does (crash, hang, write where
it must not) happens in a process of its own, in its own session, that is ended with
everything it has started in that session; what remains is one line.  A process that the code
puts into a session of its own outlives it.  It is no sandbox: the code may do what its user
may.
"""

import os
import select
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from ctrl.config import Config
from ctrl.config_errors import ConfigError, Problem
from ctrl.firmware import ambient_sensor_of
from ctrl.link import Host
from ctrl.linked import LinkedController
from ctrl.shipped import shipped_folder

SOURCES = Path(__file__).resolve().parent / "firmware_c"
OPTION = "--controller-c"
MOST_LINES = 5  # of what the compiler says
COMPILE_S = 60.0
ANSWER_S = 2.0  # one tick of a controller takes microseconds; a busy machine may pause
SWITCHES = ("relay", "slow_window")


def find_source(path_or_name: str) -> Path:
    """Return the C file meant: an existing file wins over a shipped name.

    Raises
    ------
    ConfigError
        For a file that is not there or cannot be read.
    """
    expected = "a C file, or the shipped thermostat.c"
    try:
        named = Path(path_or_name)
        # A shipped name is one without a folder: a mistyped folder must not run another file.
        shipped = [shipped_folder() / named.name] if named.name == path_or_name else []
        for path in (named, *shipped):
            if path.suffix == ".c" and path.is_file() and os.access(path, os.R_OK):
                return path.resolve()
    except (OSError, ValueError):
        pass
    raise ConfigError([Problem("command line", "cannot be read", OPTION, path_or_name, expected)])


def find_compiler() -> str:
    """Return the path of the host's C compiler.

    Raises
    ------
    ConfigError
        Where there is none, naming the package that has it.
    """
    found = shutil.which("gcc") or shutil.which("cc")
    if found is None:
        expected = "gcc on the PATH; on Debian: apt-get install gcc libc6-dev"
        raise ConfigError([Problem("command line", "no C compiler found", OPTION, None, expected)])
    return found


def _compiled(command: list[str], source: Path) -> None:
    """Run one compiler command; its errors become a few lines."""
    try:
        done = subprocess.run(
            command, capture_output=True, text=True, errors="replace", timeout=COMPILE_S,
            env=os.environ | {"LC_ALL": "C"},
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        what = f"does not compile within {COMPILE_S:.0f} s"
        raise ConfigError([Problem(str(source), what)]) from None
    if done.returncode == 0:
        return
    telling = ("error", "undefined reference", "multiple definition")
    lines = [line for line in done.stderr.splitlines() if any(word in line for word in telling)]
    lines = [line for line in lines if "ld returned" not in line] or ["the compiler failed"]
    problems = [_problem(line, source) for line in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        problems.append(Problem(str(source), f"and {len(lines) - MOST_LINES} errors more"))
    raise ConfigError(problems)


def _problem(line: str, source: Path) -> Problem:
    """Return a compiler's line as a problem of the file, with its place where it has one."""
    for word in ("undefined reference", "multiple definition"):
        if word in line:
            return Problem(str(source), line[line.index(word) :])
    name, _, rest = line.partition(":")
    return Problem(name, rest.strip()) if rest else Problem(str(source), line)


class Program:
    """A compiled controller in a folder of its own; use it as a context.

    Parameters
    ----------
    source : Path
        The maker's C file.

    Raises
    ------
    ConfigError
        When it does not compile.
    """

    def __init__(self, source: Path) -> None:
        compiler = find_compiler()
        self.source = source
        self._folder = tempfile.TemporaryDirectory(prefix="coldloop-")
        folder = Path(self._folder.name)
        self.path = folder / "controller"
        base = [compiler, "-O1", "-Wall", f"-I{SOURCES}"]
        try:
            _compiled([*base, "-std=c99", "-c", str(source), "-o", str(folder / "a.o")], source)
            own = [str(SOURCES / name) for name in ("link.c", "maker_main.c")]
            _compiled(
                [*base, "-std=gnu99", *own, str(folder / "a.o"), "-lm", "-o", str(self.path)],
                source,
            )
        except BaseException:
            self._folder.cleanup()
            raise

    def __enter__(self) -> "Program":
        return self

    def __exit__(self, *exc: object) -> None:
        self._folder.cleanup()


class Child:
    """A running controller as a stream of bytes; use it as a context.

    Parameters
    ----------
    program : Path
        The executable.
    """

    def __init__(self, program: Path) -> None:
        self._program = program
        self._process: subprocess.Popen[bytes] | None = None
        self._poll = select.poll()

    def __enter__(self) -> "Child":
        return self

    def __exit__(self, *exc: object) -> None:
        self.end()

    def start(self) -> None:
        """Power up: a fresh process, so that every static variable has its first value."""
        self.end()
        # A session of its own: Ctrl-C reaches us alone, and all it starts ends with it.
        self._process = subprocess.Popen(
            [self._program], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, bufsize=0, start_new_session=True,
            cwd=self._program.parent,
        )  # fmt: skip
        self._in, self._out = self._process.stdin.fileno(), self._process.stdout.fileno()  # type: ignore[union-attr]
        self._poll = select.poll()
        self._poll.register(self._out, select.POLLIN)

    def end(self) -> None:
        """End the process and all that it started."""
        process = self._process
        if process is None:
            return
        self._process = None
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            pass
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()

    def why(self) -> str:
        """Return how the process ended, in words."""
        if self._process is None:
            return "it never ran"
        try:
            status = self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            return "it closed the link"
        if status < 0:
            return f"{_signal_words(-status)}"
        return f"it ended by itself, exit status {status}"

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        while data:
            data = data[os.write(self._in, data) :]

    def read(self, timeout_s: float) -> bytes:
        """Return what has come within `timeout_s` [s]; EOFError when the process has ended."""
        if not self._poll.poll(1000.0 * timeout_s):
            return b""
        came = os.read(self._out, 4096)
        if not came:
            raise EOFError
        return came


def _signal_words(number: int) -> str:
    words = (signal.strsignal(number) or "").lower()
    try:
        name = signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
    return f"{words} ({name})" if words else name


def maker_controller(config: Config, child: Child, *, protected: bool = False) -> LinkedController:
    """Return the controller that runs in `child`, for `OutsideLoop`.

    Parameters
    ----------
    config : Config
    child : Child
        Started at the first tick and after each power loss.
    protected : bool
        True puts our protections behind it.
    """

    def start(tick_ms: int) -> Host:
        child.start()
        host = Host(child, timeout_s=ANSWER_S)
        host.hello(tick_ms)
        return host

    return LinkedController(
        start,
        switch_only=config.drive.kind in SWITCHES,
        reversible=config.drive.reversible,
        ambient=ambient_sensor_of(config).to_words(),
        protected=protected,
        why=child.why,
    )


@contextmanager
def fresh_controllers(config: Config, source: Path) -> Iterator[Callable[[], LinkedController]]:
    """Compile a maker's file; give what powers up a controller of it, a process for each run.

    So that no run meets the state of another.  All of them end with the context.

    Raises
    ------
    ConfigError
        When it does not compile.
    """
    with ExitStack() as stack:
        program = stack.enter_context(Program(source))
        yield lambda: maker_controller(config, stack.enter_context(Child(program.path)))
