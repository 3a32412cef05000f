"""The readers under fire: many damaged files each, in child processes with bounds on time and memory.

    python tools/fuzz_readers.py [reader …] [--inputs 20000] [--engine mutation|coverage] [--jobs 2]

Two engines make the inputs. 'mutation' is `tests/fuzz/mutation.py`; 'coverage' is atheris (libFuzzer led by
the Python lines that an input reaches), where it is installed. Either starts from ``tests/fuzz/seeds`` and
the files of other tests. An input on which a reader does anything but read or refuse, takes longer than 10 s
of processor time or needs more than 1 GiB is kept in ``tests/fuzz/crashers/<reader>``, where the tests try it
from then on. Exit code 1 where there was one.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import os
import resource
import selectors
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

TIME_LIMIT = 10
"""Seconds of processor time for one input."""
MEMORY_LIMIT = 1 << 30
"""Bytes that one input may need beyond what the process has when it starts."""
_SILENCE = 60
_REPORT_EVERY = 0.5


# -- the child: one reader, one input after the other ------------------------------------------------------


class Child:
    """Feeds one reader and tells the parent by lines of JSON.

    Args:
        name: The reader.
        current: Where the input being read is kept, so that it is there when the process is not.
        known: Crashes that were found before.
    """

    def __init__(self, name: str, current: Path, known: set[str]) -> None:
        from fuzz.readers import READERS

        self.reader = READERS[name]
        self.handle = os.open(current, os.O_RDWR | os.O_CREAT, 0o644)
        self.known = known
        self.done = self.refused = 0
        self.last_told = time.monotonic()

    def try_one(self, data: bytes) -> Exception | None:
        """Read one input; gives the error for a person, if that is how it ended."""
        os.ftruncate(self.handle, 0)
        os.pwrite(self.handle, data, 0)
        signal.setitimer(signal.ITIMER_PROF, TIME_LIMIT)
        error: Exception | None = None
        try:
            error = self.reader.check(data)
        except BaseException as crash:  # whatever it is, it is what this program looks for
            if isinstance(crash, KeyboardInterrupt | SystemExit):
                raise
            self.tell_crash(data, crash)
        self.done += 1
        self.refused += error is not None
        if time.monotonic() - self.last_told > _REPORT_EVERY:
            self.tell()
        return error

    def tell(self) -> None:
        """Tell the parent how far it is."""
        self.last_told = time.monotonic()
        print(json.dumps({"done": self.done, "refused": self.refused}), flush=True)

    def tell_crash(self, data: bytes, crash: BaseException) -> None:
        """Tell the parent of something new that went wrong."""
        frames = [
            f"{Path(frame.filename).name}:{frame.lineno}"
            for frame in traceback.extract_tb(crash.__traceback__)
        ]
        what = f"{type(crash).__name__} at {frames[-1]}"
        if what not in self.known:
            self.known.add(what)
            text = f"{what}: {str(crash)[:200]} ({' '.join(frames[-6:])})"
            print(json.dumps({"crash": what, "text": text, "data": data.hex()}), flush=True)

    def warm(self) -> None:
        """Import what the reader needs, and have the threads' stacks, before memory is bounded."""
        for seed in self.reader.seeds()[:40]:
            try:
                self.reader.check(seed)
            except Exception:  # it comes again as an input
                continue


def _bound_memory() -> None:
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    limit = pages * resource.getpagesize() + MEMORY_LIMIT
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _mutate(child: Child, inputs: int, seed: int) -> None:
    from fuzz.mutation import Mutator, answer_of

    child.warm()
    _bound_memory()
    seeds = child.reader.seeds()
    for data in seeds[:inputs]:
        child.try_one(data)
    mutator = Mutator(seeds, child.reader.words, seed, child.reader.mend)
    while child.done < inputs:
        mutator.learn(answer_of(child.try_one(mutator.next())))
    child.tell()


def _explore(child: Child, inputs: int, seed: int) -> NoReturn:
    import atheris

    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for data in child.reader.seeds():
            (corpus / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
        words = Path(folder) / "words"
        quoted = ("".join(f"\\x{byte:02x}" for byte in word) for word in child.reader.words if len(word) < 64)
        words.write_text("".join(f'"{word}"\n' for word in quoted))

        def one(data: bytes) -> None:
            child.try_one(data)
            if child.done == inputs:
                child.tell()

        options = [f"-atheris_runs={inputs}", f"-dict={words}", "-max_len=4096", f"-seed={seed + 1}"]
        options += [f"-timeout={3 * TIME_LIMIT}", f"-artifact_prefix={folder}/", "-verbosity=0"]
        options += [f"-rss_limit_mb={2 * MEMORY_LIMIT >> 20}", str(corpus)]
        atheris.Setup(["fuzz", *options], one)
        atheris.Fuzz()
    raise SystemExit


def child_main(options: argparse.Namespace) -> None:
    """Feed one reader until it has had its inputs."""
    known = set(json.loads(options.known))
    if options.engine == "coverage":
        import atheris

        with atheris.instrument_imports(include=["wrongbit"]):
            child = Child(options.child, Path(options.current), known)
            child.warm()
        _explore(child, options.inputs, options.seed)
    _mutate(Child(options.child, Path(options.current), known), options.inputs, options.seed)


# -- the parent: children, counts, crashers ----------------------------------------------------------------


@dataclass
class Campaign:
    """What happened to one reader."""

    reader: str
    wanted: int
    engine: str
    done: int = 0
    refused: int = 0
    seconds: float = 0.0
    crashes: list[str] = field(default_factory=list)
    known: set[str] = field(default_factory=set)

    def keep(self, data: bytes, what: str) -> None:
        """Keep an input for the tests."""
        folder = ROOT / "tests" / "fuzz" / "crashers" / self.reader
        folder.mkdir(parents=True, exist_ok=True)
        (folder / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
        self.crashes.append(what)

    def row(self) -> dict[str, Any]:
        """For the report."""
        return {
            "reader": self.reader,
            "engine": self.engine,
            "inputs": self.done,
            "refused": self.refused,
            "seconds": round(self.seconds),
            "crashes": self.crashes,
        }


class Running:
    """One child at work."""

    def __init__(self, campaign: Campaign, seed: int) -> None:
        handle, name = tempfile.mkstemp(prefix="wrongbit-fuzz-")
        os.close(handle)
        self.current = Path(name)
        self.campaign = campaign
        self.before, self.refused_before = campaign.done, campaign.refused
        self.begun = time.monotonic()
        self.quiet = 0
        command = [sys.executable, __file__, "--child", campaign.reader, "--engine", campaign.engine]
        command += ["--inputs", str(campaign.wanted - campaign.done), "--seed", str(seed)]
        command += ["--current", name, "--known", json.dumps(sorted(campaign.known))]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True, bufsize=0
        )
        assert self.process.stdout is not None
        self.stream = self.process.stdout
        os.set_blocking(self.stream.fileno(), False)
        self.held = b""

    def hear(self) -> bool:
        """Take what the child said; False when it will say no more."""
        more = self.stream.read()
        if more is None:
            return True
        self.quiet = 0
        *lines, self.held = (self.held + more).split(b"\n")
        for line in lines:
            if line.startswith(b"{"):
                self._take(json.loads(line))
        return bool(more)

    def _take(self, said: dict[str, Any]) -> None:
        campaign = self.campaign
        if "crash" in said:
            campaign.known.add(said["crash"])
            campaign.keep(bytes.fromhex(said["data"]), said["text"])
            return
        campaign.done = self.before + said["done"]
        campaign.refused = self.refused_before + said["refused"]

    def close(self) -> None:
        """Wait for the end; an input that ended the process is a crasher."""
        code = self.process.wait()
        campaign = self.campaign
        campaign.seconds += time.monotonic() - self.begun
        if code < 0 and campaign.done < campaign.wanted:
            what = f"ended by {signal.Signals(-code).name}"
            campaign.keep(self.current.read_bytes(), what)
            campaign.done += 1
        elif campaign.done < campaign.wanted and campaign.done == self.before:
            campaign.crashes.append(f"the child ended with code {code} before its first input")
            campaign.done = campaign.wanted
        self.current.unlink(missing_ok=True)

    def stop(self) -> None:
        """End the child, whatever it does."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)


def run(campaigns: list[Campaign], jobs: int, seconds: float, seed: int) -> None:
    """All campaigns, a few at a time, until each has its inputs or the time is over."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    waiting, running = list(campaigns), {}
    end = time.monotonic() + seconds
    columns = (TextColumn("{task.description:<12}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with selectors.DefaultSelector() as selector, Progress(*columns) as progress:
        bars = {each.reader: progress.add_task(each.reader, total=each.wanted) for each in campaigns}
        try:
            while (waiting or running) and time.monotonic() < end:
                while waiting and len(running) < jobs:
                    child = Running(waiting.pop(0), seed)
                    running[child.stream] = child
                    selector.register(child.stream, selectors.EVENT_READ)
                for child in list(running.values()):
                    child.quiet += 1
                    if child.quiet > _SILENCE:  # counted in looks, so that a paused campaign loses nothing
                        child.stop()
                for key, _ in selector.select(1):
                    child = running[key.fileobj]
                    alive = child.hear()
                    campaign = child.campaign
                    progress.update(bars[campaign.reader], completed=campaign.done)
                    if not alive:
                        selector.unregister(child.stream)
                        del running[child.stream]
                        child.close()
                        seed += 1
                        if campaign.done < campaign.wanted:
                            waiting.insert(0, campaign)
        finally:
            for child in running.values():
                child.stop()
                child.campaign.seconds += time.monotonic() - child.begun
                child.process.wait()
                child.current.unlink(missing_ok=True)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Damaged files for every reader, within bounds.")
    parser.add_argument("readers", nargs="*", help="readers to try; all if none is named")
    parser.add_argument("--inputs", type=int, default=20_000, help="inputs for each reader")
    parser.add_argument("--engine", choices=("mutation", "coverage"), default="mutation")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="readers at the same time")
    parser.add_argument("--minutes", type=float, default=60.0, help="stop after so long")
    parser.add_argument("--seed", type=int, default=1, help="of the random numbers")
    parser.add_argument("--report", type=Path, help="write what happened as JSON")
    for hidden in ("--child", "--current", "--known"):
        parser.add_argument(hidden, help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> int:
    """The campaign; gives the exit code."""
    options = _options()
    if options.child:
        child_main(options)
        return 0
    from fuzz.readers import READERS

    unknown = [name for name in options.readers if name not in READERS]
    if unknown:
        print(f"There is no reader {unknown[0]!r}; there are: {', '.join(READERS)}.")
        return 2
    if options.engine == "coverage" and importlib.util.find_spec("atheris") is None:
        print("atheris is not installed; use --engine mutation, or install the extra 'test'.")
        return 2
    campaigns = [Campaign(name, options.inputs, options.engine) for name in options.readers or READERS]
    run(campaigns, options.jobs, 60 * options.minutes, options.seed)
    for each in campaigns:
        rate = each.done / each.seconds if each.seconds else 0
        print(f"{each.reader:<12} {each.done:>9,} inputs, {each.refused:>9,} refused, {rate:>6,.0f} a second")
        for crash in each.crashes:
            print(f"  CRASH {crash}")
    if options.report:
        options.report.write_text(json.dumps([each.row() for each in campaigns], indent=1) + "\n")
    return 1 if any(each.crashes for each in campaigns) else 0


if __name__ == "__main__":
    sys.exit(main())
