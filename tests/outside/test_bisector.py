"""The recovery place against worked values of the bisector theory.

Cochet 1933; Benguigui 2024 (Sci Rep 14:3364): stand on the bisector of the opponent's extreme
directions. Values computed by hand from x_b = x_o + (y - y_o) tan((theta_L + theta_R) / 2) for an
opponent's contact at (3.0, -11.885) and an own depth of 12.8 m.
"""

import math

import pytest

from rallymill import court
from rallymill.tactics import recovery_place_m

CONTACT = (3.0, -11.885)
DEPTH_M = 12.8


def test_extremes_to_both_baseline_corners():
    corners = ((-court.HALF_SINGLES_M, court.HALF_LENGTH_M),
               (court.HALF_SINGLES_M, court.HALF_LENGTH_M))
    left, right = (
        math.degrees(math.atan2(x - CONTACT[0], y - CONTACT[1])) for x, y in corners)
    assert left == pytest.approx(-16.66, abs=0.01) and right == pytest.approx(2.69, abs=0.01)
    assert court.bisector_x_m(*CONTACT, *corners, DEPTH_M) == pytest.approx(-0.03, abs=0.005)


def test_short_angle_across_the_court():
    angle = math.degrees(math.atan2(
        -court.HALF_SINGLES_M - CONTACT[0], court.SERVICE_LINE_M - CONTACT[1]))
    assert angle == pytest.approx(-21.26, abs=0.01)
    assert recovery_place_m(*CONTACT, DEPTH_M) == pytest.approx(-1.04, abs=0.005)
