"""What an advice says, from its figures alone."""

from colourmatch.words import advice

NOW = {"value": 1.2, "low": 0.6, "high": 1.9}


def test_a_chance_a_cost_and_what_is_missing_are_said_only_where_there_are_some():
    assert "chance" not in advice.tell_matched(NOW, 1.5, None)
    assert "is within is 62 %" in advice.tell_matched(NOW, 1.5, 0.62)
    near = advice.tell_nearest(["red", "gold"], NOW, 0.5, None, stalled=False)
    assert near == "This is the nearest that red and gold can come: 1.2 (0.6 to 1.9). Stop here."
    for tolerance, stays in ((0.5, "stays"), (1.0, "may stay")):
        said = advice.tell_nearest(["red"], NOW, tolerance, "paler", stalled=True)
        assert said.endswith(f" What {stays} different: paler.")
    assert "nearer" not in advice.tell_ceiling_stop(None, NOW, 0.0)
    assert "ceiling of 60 mg/l" in advice.tell_ceiling_stop(60.0, NOW, 0.8)


def test_untinted_batch_is_told_as_a_jug_can_be_read_and_none_is_not_told():
    assert advice.tell_rescue(0) == "" and "about 280 ml" in advice.tell_rescue(284.4)
    assert advice.tell_past(NOW).count("1.2 (0.6 to 1.9)") == 1
    assert "about 280 ml" in advice.tell_before_blending("Stop.", ["Gold first."], 284.4, NOW)


def test_a_strength_near_a_word_is_told_by_it():
    assert "about half as strong" in advice.tell_surprise("red", 0.52, 0.4, 0.6, less=True)
    assert "about 0.7 times as strong" in advice.tell_surprise("red", 0.71, 0.6, 0.8, less=True)
    said = advice.tell_surprise("red", 2.1, 1.8, 2.4, less=False)
    assert "twice" in said and "more went in" in said
