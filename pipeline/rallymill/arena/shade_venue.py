"""Places of the numbers in the vector of a venue, see :meth:`scene.Venue.vector`."""

from __future__ import annotations

V_INNER = 0
V_OUTER = 3
V_LINE = 6
V_INNER_X = 9
V_INNER_Y = 10
V_LINE_OPACITY = 11
V_WALL_Y = 12
V_SIDE_X = 13
V_WALL_H = 14
V_WALL = 15
V_SLOPE = 18
V_STAND_DEPTH = 19
V_CROWD = 20
V_BEYOND = 21  # 0 sky over trees, 1 dark roof, 2 bright sky only
V_SKY = 22
V_BANNER_LOW = 25
V_BANNER_HIGH = 26
V_AMBIENT = 27
V_SEED = 30
V_FADE = 31
V_EDGE_ON = 32
V_EDGE_NX = 33
V_EDGE_NY = 34
V_EDGE_C = 35
V_TEXTURE = 36
V_SEAT = 37
V_FENCE = 40
V_HAZE = 41
V_BROKEN = 42
V_TIME = 43
V_DAPPLE = 44
V_BAR_NX = 45
V_BAR_NY = 46
V_BAR_OFFSET = 47
V_BAR_HALF = 48
V_BAR_PERIOD = 49
V_LAMPS = 50
V_GLITTER = 51
V_SIZE = 52
