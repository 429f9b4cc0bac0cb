"""What other programs see: the JSON of every command that playing.py plays, as it was frozen in golden.json.

Fields, types, codes and what was typed are held exactly, figures from pixels and fits within a tolerance that other
machines and versions of numpy and OpenCV keep. Times, hashes, codes to enter, places and addresses are masked; sentences are for
people and only have to be there. After a change that is meant: python tests/guide/golden.py, and say why in the commit.
"""

import json
import re
import tempfile
from pathlib import Path
from typing import Any

from playing import Objects, play

GOLDEN = Path(__file__).with_name("golden.json")

#: Numbers that were typed, or follow from what was typed alone; all others come from pixels and fits.
TYPED = {
    "already_mg_per_l", "ceiling_mg_per_l", "density_g_per_ml", "depth_mm", "dilution", "drop_ml", "fold", "glass_ml",
    "label_strength_g_per_100ml", "label_strength_rel_sd", "quantity", "taken_ml", "tolerance", "trial_ml", "volume_ml",
    "weight",
}  # fmt: skip
#: Whole numbers that a fit gives; all others are counts and entries.
FITTED_WHOLE = {"ceiling_drops", "drops", "high", "low"}
RELATIVE, ABSOLUTE, ABSOLUTE_WHOLE = 0.02, 0.05, 1
LONGEST = 8

#: Fields that are sentences however short they are; a string of more than three words is one anywhere.
SENTENCES = re.compile(r"(.*_)?(text|missing|title|lines?)$")
MASKS = {
    "<time>": re.compile(r"\d{4}[-:]\d\d[-:]\d\d([T ][\d:.+]+)?$"),
    "<hash>": re.compile(r"[0-9a-f]{64}(\.\w+)?$"),
    "<address>": re.compile(r"https?://"),
    "<secret>": re.compile(r"[0-9A-Z]{4}-[0-9A-Z]{4}$"),
    "<path>": re.compile(r"/|[A-Z]:\\|~"),
}
#: Commands that print texts for people: how many parts these have is no concern of other programs.
TEXTS = {"guide", "completion"}


def mask(value: Any, field: str = "") -> Any:
    """The value without what differs from run to run, and without sentences; figures to three digits.

    A long outline or curve is kept as its length and three of its points.
    """
    if isinstance(value, dict):
        return {name: mask(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        long = len(value) > LONGEST and not isinstance(value[0], (dict, str))
        kept = [len(value), value[0], value[len(value) // 2], value[-1]] if long else value
        return [mask(inner, field) for inner in kept]
    if isinstance(value, str):
        return _mask_text(value, field)
    if field == "port":  # another one where the usual one is taken
        return "<port>"
    if isinstance(value, float) and field not in TYPED:
        return float(f"{value:.3g}")
    return value


def _mask_text(value: str, field: str) -> str:
    kind = next((kind for kind, pattern in MASKS.items() if pattern.match(value)), None)
    if kind is None and (SENTENCES.match(field) or value.count(" ") > 2 or "\n" in value):
        kind = "<text>"
    return value if kind is None or not value else kind


def freeze(objects: Objects) -> Objects:
    """What is kept of all that was played."""
    masked = mask(objects)
    return masked | {name: [_first_parts(one) for one in masked[name]] for name in TEXTS & masked.keys()}


def _first_parts(value: Any) -> Any:
    """The value with the first part alone of every list."""
    if isinstance(value, dict):
        return {name: _first_parts(inner) for name, inner in value.items()}
    return [_first_parts(inner) for inner in value[:1]] if isinstance(value, list) else value


def differences(golden: Any, now: Any, where: str) -> list[str]:
    """Where a frozen value and that of now differ, each as one line that begins with command and field."""
    if isinstance(golden, dict) and isinstance(now, dict):
        wrong = [f"{where}.{name} is gone" for name in golden.keys() - now.keys()]
        wrong += [f"{where}.{name} is new" for name in now.keys() - golden.keys()]
        for name in golden.keys() & now.keys():
            wrong += differences(golden[name], now[name], f"{where}.{name}")
        return wrong
    if isinstance(golden, list) and isinstance(now, list):
        if len(golden) != len(now):
            return [f"{where} has {len(now)} parts, not {len(golden)}"]
        pairs = enumerate(zip(golden, now, strict=True))
        return [line for k, pair in pairs for line in differences(*pair, f"{where}[{k}]")]
    same = type(golden) is type(now) and (golden == now or _is_near(golden, now, where))
    return [] if same else [f"{where} is {now!r}, not {golden!r}"]


def _is_near(golden: Any, now: Any, where: str) -> bool:
    field = re.sub(r"(\[\d+\])+$", "", where).rpartition(".")[2]
    if isinstance(golden, float):
        relative, absolute = (1e-6, 0) if field in TYPED else (RELATIVE, ABSOLUTE)
    elif isinstance(golden, int) and field in FITTED_WHOLE:
        relative, absolute = RELATIVE, ABSOLUTE_WHOLE
    else:
        return False
    return abs(golden - now) <= max(relative * abs(golden), absolute)


def read_golden() -> Objects:
    """The frozen JSON of every command."""
    return dict(json.loads(GOLDEN.read_text(encoding="utf-8")))


def write_golden(objects: Objects) -> None:
    """Freeze what was played, each call on a line of its own."""
    commands = []
    for name, calls in sorted(freeze(objects).items()):
        lines = [json.dumps(one, ensure_ascii=False, sort_keys=True, separators=(",", ":")) for one in calls]
        commands.append(f"{json.dumps(name)}: [\n" + ",\n".join(lines) + "\n]")
    GOLDEN.write_text("{\n" + ",\n".join(commands) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        write_golden(play(Path(folder)))
