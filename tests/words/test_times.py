"""Moments of the book in the zone of who reads."""

from zoneinfo import ZoneInfo

from colourmatch.words.times import tell_date, tell_minute, tell_time, tell_zones

LATE = "2026-11-28T23:30:00.000000+00:00"
SUMMER = "2026-07-01T10:00:00.000000+00:00"
PARIS, HALIFAX = ZoneInfo("Europe/Paris"), ZoneInfo("America/Halifax")


def test_moments_and_zones_are_told_for_a_place():
    assert tell_date(LATE, PARIS) == "2026-11-29" and tell_date(LATE, HALIFAX) == "2026-11-28"
    assert tell_minute(LATE, PARIS) == "2026-11-29 00:30"
    assert tell_time(LATE, PARIS) == "2026-11-29 00:30 CET"
    assert tell_zones((SUMMER, LATE, SUMMER), PARIS) == "CEST (UTC+02:00) and CET (UTC+01:00)"
    assert tell_zones((LATE,), ZoneInfo("UTC")) == "UTC"
    assert tell_zones((LATE,), ZoneInfo("America/Sao_Paulo")) == "UTC-03:00"
