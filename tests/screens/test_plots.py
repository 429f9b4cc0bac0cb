"""The charts: where points lie, from known readings."""

import numpy as np
import pytest
from processes import run_python

from colourmatch.advice import Advice, Curve
from colourmatch.measurement import Measurement, Pair
from colourmatch.screens import plots


def reading(reference: list[float], batch: list[float]) -> Measurement:
    return Measurement.from_json({"spots": {"reference": {"lab": reference}, "batch": {"lab": batch}}})


ALONE = Measurement.from_json({"spots": {"reference": {"lab": [1, 2, 3]}, "batch": None}})


def test_batches_prediction_and_reference_are_drawn():
    seen = {2: reading([60, 40, 30], [90, 5, 5]), 4: ALONE, 5: reading([58, 42, 30], [70, 30, 20])}
    path = plots.trace_path(seen)
    assert path is not None and path.reference == [58, 42, 30]
    assert path.batches == ([88, 7, 5], [70, 30, 20])
    drawn = plots.draw_ab(path).data[0]  # by the numbers they have in the lot
    assert list(drawn.text) == ["2", "5"] and list(drawn.hovertext) == ["photo 2", "photo 5 (now)"]
    assert plots.trace_path({1: ALONE}) is None  # without both liquids there is no way to draw
    predicted = {"batch": [64.0, 36.0, 25.0], "reference": [58.0, 42.0, 30.0]}
    path = plots.trace_path({1: reading([58, 42, 30], [70, 30, 20])}, Advice(predicted_lab=predicted))
    assert path is not None
    figure = plots.draw_ab(path)
    assert [trace.name for trace in figure.data] == ["batch", "reference", "after this step"]
    ranked = sorted(figure.data, key=lambda trace: trace.legendrank or 1000)  # as the card has them
    assert [trace.name for trace in ranked] == ["reference", "batch", "after this step"]
    assert (figure.data[2].x[-1], figure.data[2].y[-1]) == (36.0, 25.0)
    lightness = plots.draw_lightness(path)
    assert lightness.data[1].y[0] == 58


def test_the_curve_marks_step_best_and_ceiling_and_escapes_the_stock():
    curve = {"stock": "red <b>", "drops": [0, 5, 10], "delta_e_2000": [3, 1, 2]}
    curve |= {"low": [2, 0, 1], "high": [4, 2, 3], "best_drops": 5, "ceiling_drops": 9}
    figure = plots.draw_curve(Curve.from_json(curve), 4, 1.5)
    said = [note.text for note in figure.layout.annotations]
    assert [text for text in said if text != "tolerance"] == ["this step: 4", "best: 5", "most allowed: 9"]
    assert figure.layout.xaxis.title.text == "further drops of red &lt;b>"


def test_photos_and_what_is_expected_after_the_step_have_their_ellipses():
    variances = {"photo": [0.04, 0.04, 0.01], "scene": [0, 0.05, 0], "phone": [0, 0, 0.03]}
    spread = {part: np.diag(values).tolist() for part, values in variances.items()}
    after = {"batch": [64.0, 36.0, 0.0], "reference": [58.0, 42.0, 0.0]}
    step = {"predicted_lab": after, "predicted_covariance": np.diag([0.25, 0.16, 0.09]).tolist()}
    seen = reading([58, 42, 0], [60, 40, 0]).having(uncertainty=Pair.from_json(spread))
    path = plots.trace_path({1: reading([58, 42, 0], [70, 30, 0]), 2: seen}, Advice.from_json(step))
    assert path is not None
    # around a*, b* and L*: the roots of 0.04 + 0.05, of 0.01 + 0.03 and of 0.04; of a photo without one none is drawn
    for name, middle, sds in (("95 % of the difference", (40, 0, 60), (0.3, 0.2, 0.2)), ("95 % after this step", (36, 0, 64), (0.4, 0.3, 0.5))):  # fmt: skip
        figure, deep = plots.draw_ab(path), plots.draw_lightness(path)
        (ring,), (high,) = ([t for t in one.data if t.name == name] for one in (figure, deep))
        reach = max(ring.x) - middle[0], max(ring.y) - middle[1], max(high.y) - middle[2]
        assert reach == pytest.approx([2.448 * sd for sd in sds], abs=0.001)
        # told from the rings of photos without its colour
        assert (ring.line.dash == "dot") is ("after" in name)
        assert figure.layout.yaxis.range[1] > max(ring.y)


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
import colourmatch.screens.plots as drawn
drawn.go.Figure().add_scatter(x=[1.0], y=[2.0], hovertext=["a"], hoverinfo="text")
"""


def test_a_chart_is_drawn_while_another_page_is_still_importing_pandas():
    done = run_python("-c", _HALF_READ)
    assert done.returncode == 0, done.stderr
