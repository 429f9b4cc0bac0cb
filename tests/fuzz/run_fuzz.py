"""The fuzz as it is run by hand: 100,000 inputs, each within a time and all within 1.5 GB of memory.

    python tests/fuzz/run_fuzz.py                          all targets
    python tests/fuzz/run_fuzz.py --target photos --only 1234 [--save FILE]     one input again

An input follows from seed, target and number alone. Every target runs in a process of its own, whose memory is limited by
the system (RLIMIT_DATA, which counts what is allocated, not what is mapped from files); an input that takes longer than
--timeout ends that process with its trace, whatever it is busy with, and counts as a fault, as does a crash.
"""

import argparse
import collections
import faulthandler
import mmap
import os
import resource
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from random import Random

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
FOLDERS = ((0, ""), (1, ""), (1, "bench"), (1, "guide"), (2, ""))
sys.path[:0] = [str(Path(__file__).parents[up] / folder) for up, folder in FOLDERS]

from fuzz_targets import TARGETS, Target  # noqa: E402

SHARES = {"photos": 50, "exports": 17, "backups": 3, "entries": 15, "lines": 15}
MEMORY_BYTES = 1_500_000_000
_UNMADE = 2**64 - 1
#: Where traces of crashes and hangs go; the stderr of a child is full of what decoders complain of.
TRACES = sys.__stderr__
#: Faults of one kind that are shown in full.
SHOWN = 3


def fuzz_one(target: Target, seed: str, number: int) -> str:
    """Make and judge input `number`; what came of it, or "FAULT ..." with where."""
    made = target.make(Random(f"{seed} {target.name} {number}"))
    try:
        return target.judge(made)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        shown = repr(made) if len(repr(made)) < 300 else repr(made)[:300] + " ..."
        place = f"{where.filename}:{where.lineno}"
        return f"FAULT {type(error).__name__}: {str(error)[:600]} at {place} by {shown}"


def fuzz_range(
    kind: type[Target], seed: str, numbers: range, timeout_s: float, at: mmap.mmap | None = None
) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Run a range of inputs in this process; outcomes counted, and the faults with their numbers."""
    outcomes: Counter[str] = collections.Counter()
    faults = []
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        target = kind(Path(folder))
        for number in numbers:
            if at is not None:
                at[:8] = number.to_bytes(8, "big")
                faulthandler.dump_traceback_later(timeout_s, exit=True, file=TRACES)
            outcome = fuzz_one(target, seed, number)
            if outcome.startswith("FAULT"):
                faults.append((number, outcome))
                outcome = "fault"
            outcomes[outcome] += 1
        faulthandler.cancel_dump_traceback_later()
    return outcomes, faults


def run_target(kind: type[Target], seed: str, count: int, timeout_s: float) -> bool:
    """Run a target in processes of its own, a new one behind every input that ended one; True when all went well."""
    began, at, first, ended, peak = time.monotonic(), mmap.mmap(-1, 8), 0, 0, 0
    print(f"{kind.name}: {count} inputs", flush=True)
    well = True
    while first < count:
        at[:8] = _UNMADE.to_bytes(8, "big")
        child = os.fork()
        if child == 0:
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
            _silence_decoders()
            try:
                outcomes, faults = fuzz_range(kind, seed, range(first, count), timeout_s, at)
            except BaseException:
                traceback.print_exc(file=TRACES)
                os._exit(1)
            for number, text in _few_of_each(faults):
                print(f"  input {number}: {text}")
            print("  " + ", ".join(f"{name} {times}" for name, times in sorted(outcomes.items())), flush=True)
            os._exit(3 if faults else 0)
        _, status, usage = os.wait4(child, 0)
        peak = max(peak, usage.ru_maxrss * 1024)
        code = os.waitstatus_to_exitcode(status)
        if code in (0, 3):
            well &= code == 0
            break
        well, number = False, int.from_bytes(at[:8], "big")
        print(f"  input {number} ended the process with {code} (negative: a signal, 1: too long)", flush=True)
        first, ended = number + 1, ended + 1
        if number == _UNMADE:
            break
    seconds = time.monotonic() - began
    print(
        f"  {seconds:.0f} s, {1000 * seconds / count:.1f} ms each, peak {peak / 1e6:.0f} MB, {ended} crashes or hangs"
    )
    return well


def _silence_decoders() -> None:
    """What libraries print of damaged files goes nowhere; traces of crashes still reach the terminal."""
    global TRACES
    TRACES = os.fdopen(os.dup(2), "w")
    faulthandler.enable(TRACES)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _few_of_each(faults: list[tuple[int, str]]) -> list[tuple[int, str]]:
    seen: Counter[str] = collections.Counter()
    few = []
    for number, text in faults:
        kind = text.split(" by ")[0][-60:]
        seen[kind] += 1
        if seen[kind] <= SHOWN:
            few.append((number, text))
    return few


def main() -> int:
    """Read the arguments, run, print the figures; 1 when a promise was broken."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=100_000, help="inputs in all")
    parser.add_argument("--seed", default="1")
    parser.add_argument("--timeout", type=float, default=20, help="seconds that one input may take")
    parser.add_argument("--target", choices=SHARES)
    parser.add_argument("--only", type=int, help="one input alone, with its trace")
    parser.add_argument("--save", type=Path, help="where to write that input")
    given = parser.parse_args()
    chosen = [kind for kind in TARGETS if given.target in (None, kind.name)]
    if given.only is not None:
        return _run_again(chosen[0], given)
    began = time.monotonic()
    parts = sum(SHARES[kind.name] for kind in chosen)
    counts = {kind: given.count * SHARES[kind.name] // parts for kind in chosen}
    well = all([run_target(kind, given.seed, count, given.timeout) for kind, count in counts.items()])
    told = "no fault" if well else "FAULTS"
    print(f"{sum(counts.values())} inputs in {time.monotonic() - began:.0f} s: {told}")
    return 0 if well else 1


def _run_again(kind: type[Target], given: argparse.Namespace) -> int:
    with tempfile.TemporaryDirectory() as folder:
        target = kind(Path(folder))
        made = target.make(Random(f"{given.seed} {target.name} {given.only}"))
        if given.save:
            data = made if isinstance(made, bytes) else made[1]
            given.save.write_bytes(data if isinstance(data, bytes) else repr(made).encode())
        print(repr(made)[:500])
        print(target.judge(made))
    return 0


if __name__ == "__main__":
    sys.exit(main())
