"""How a drink is looked at, in words."""

from colourmatch.words.looks import tell_glass, tell_look, tell_serving

LONG = {"name": "long drink", "depth_mm": 60, "dilution": 4, "illuminant": "A", "weight": 2}


def test_looks_and_serving_conditions_are_told():
    assert tell_look(LONG) == "60 mm deep, 1 part made up to 4, light A, weight 2"
    warm = {"illuminant": "A", "dilution": None, "weight": 1.0}
    assert tell_look(warm, {"A": "a warm lamp (A)"}.__getitem__) == "a warm lamp (A)"
    assert tell_glass(7.5, 1) == "7.5 mm deep, undiluted"
    served = {"conditions": [LONG, {"name": "neat"}], "ice": "two cubes"}
    assert tell_serving(served) == f"long drink ({tell_look(LONG)}); neat; ice two cubes"
    assert tell_serving(None) == "as photographed"
