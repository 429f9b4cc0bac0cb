"""The charts: where points lie, from known readings."""

from __future__ import annotations

import subprocess
import sys

import pytest

from colourmatch.measurement import Measurement, Pair
from colourmatch.screens import plots


def reading(reference: list[float], batch: list[float]) -> Measurement:
    return Measurement.from_json({"spots": {"reference": {"lab": reference}, "batch": {"lab": batch}}})


ALONE = Measurement.from_json({"spots": {"reference": {"lab": [1, 2, 3]}, "batch": None}})


def test_each_batch_is_placed_by_its_difference_in_its_own_photo() -> None:
    path = plots.trace_path([reading([60, 40, 30], [90, 5, 5]), reading([58, 42, 30], [70, 30, 20])])
    assert path is not None
    assert path.reference == [58, 42, 30]
    assert path.batches == ([88, 7, 5], [70, 30, 20])


def test_without_both_liquids_there_is_no_way_to_draw() -> None:
    assert plots.trace_path([ALONE]) is None


def test_the_chart_shows_path_prediction_and_reference() -> None:
    predicted = {"batch": [64.0, 36.0, 25.0], "reference": [58.0, 42.0, 30.0]}
    path = plots.trace_path([reading([58, 42, 30], [70, 30, 20])], {"predicted_lab": predicted})
    assert path is not None
    figure = plots.draw_ab(path)
    assert [trace.name for trace in figure.data] == ["batch", "reference", "after this step"]
    ranked = sorted(figure.data, key=lambda trace: trace.legendrank or 1000)  # as the card has them
    assert [trace.name for trace in ranked] == ["reference", "batch", "after this step"]
    assert (figure.data[2].x[-1], figure.data[2].y[-1]) == (36.0, 25.0)
    lightness = plots.draw_lightness(path)
    assert lightness.data[1].y[0] == 58


def test_the_curve_marks_step_best_and_ceiling_and_escapes_the_stock() -> None:
    curve = {"stock": "red <b>", "drops": [0, 5, 10], "delta_e_2000": [3, 1, 2]}
    curve |= {"low": [2, 0, 1], "high": [4, 2, 3], "best_drops": 5, "ceiling_drops": 9}
    figure = plots.draw_curve(curve, 4, 1.5)
    said = [note.text for note in figure.layout.annotations]
    assert [text for text in said if text != "tolerance"] == ["this step: 4", "best: 5", "ceiling: 9"]
    assert figure.layout.xaxis.title.text == "further drops of red &lt;b>"


def test_each_photo_with_an_uncertainty_gets_its_ellipse() -> None:
    spread = {
        "photo": [[0.04, 0, 0], [0, 0.04, 0], [0, 0, 0.01]],
        "scene": [[0, 0, 0], [0, 0.05, 0], [0, 0, 0]],
        "phone": [[0, 0, 0], [0, 0, 0], [0, 0, 0.03]],
    }
    path = plots.trace_path(
        [
            reading([58, 42, 0], [70, 30, 0]),
            reading([58, 42, 0], [60, 40, 0]).having(uncertainty=Pair.from_json(spread)),
        ]
    )
    assert path is not None
    (ellipse,) = [trace for trace in plots.draw_ab(path).data if trace.name == "95 % of the difference"]
    assert max(ellipse.x) - 40 == pytest.approx(2.448 * 0.3, abs=0.001)  # sd of a* is the root of 0.04 + 0.05
    assert max(ellipse.y) == pytest.approx(2.448 * 0.2, abs=0.001)
    (deep,) = [trace for trace in plots.draw_lightness(path).data if trace.name == "95 % of the difference"]
    assert max(deep.y) - 60 == pytest.approx(2.448 * 0.2, abs=0.001)


def test_what_is_expected_after_the_step_has_its_own_ring() -> None:
    step = {
        "predicted_lab": {"batch": [64.0, 36.0, 0.0], "reference": [58.0, 42.0, 0.0]},
        "predicted_covariance": [[0.25, 0, 0], [0, 0.09, 0], [0, 0, 0.04]],
    }
    path = plots.trace_path([reading([58, 42, 0], [70, 30, 0])], step)
    assert path is not None
    figure = plots.draw_ab(path)
    (ring,) = [trace for trace in figure.data if trace.name == "95 % after this step"]
    assert max(ring.x) - 36 == pytest.approx(2.448 * 0.3, abs=0.001)
    assert max(ring.y) == pytest.approx(2.448 * 0.2, abs=0.001)
    assert ring.line.dash == "dot"  # told from the rings of photos without its colour
    assert figure.layout.yaxis.range[1] > max(ring.y)
    (deep,) = [trace for trace in plots.draw_lightness(path).data if trace.name == "95 % after this step"]
    assert max(deep.y) - 64 == pytest.approx(2.448 * 0.5, abs=0.001)


def test_photos_keep_the_numbers_they_have_in_the_lot() -> None:
    seen = [reading([60, 40, 30], [90, 5, 5]), ALONE, reading([58, 42, 30], [70, 30, 20])]
    path = plots.trace_path(seen, numbers=[2, 4, 5])
    assert path is not None and path.names == ["photo 2", "photo 5 (now)"]
    assert list(plots.draw_ab(path).data[0].text) == ["2", "5"]
    from_one = plots.trace_path(seen)
    assert from_one is not None and from_one.names == ["photo 1", "photo 2 (now)"]


#: Another thread is in the middle of importing pandas, as when two pages are opened at once.
_HALF_READ = """
import sys, threading, time
import plotly.graph_objects
import colourmatch.screens.html, colourmatch.colour.ellipse  # all but pandas
assert "pandas" not in sys.modules
seen = threading.Event()
class Slow:
    def find_spec(self, name, path=None, target=None):
        if name == "pandas.core":
            seen.wait()
            time.sleep(0.5)  # it goes on while the import below waits for it
sys.meta_path.insert(0, Slow())
threading.Thread(target=__import__, args=("pandas",)).start()
while "pandas" not in sys.modules:
    time.sleep(0.01)
assert not hasattr(sys.modules["pandas"], "Series")
seen.set()
import {module} as drawn
drawn.go.Figure().add_scatter(x=[1.0], y=[2.0], hovertext=["a"], hoverinfo="text")
"""


@pytest.mark.parametrize("module", ["colourmatch.screens.plots"])
def test_a_chart_is_drawn_while_another_page_is_still_importing_pandas(module: str) -> None:
    script = _HALF_READ.format(module=module)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
