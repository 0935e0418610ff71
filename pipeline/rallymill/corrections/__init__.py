"""Corrections by hand: rows of a small table that change, add or remove what was read.

A correction file is CSV (UTF-8; commas, semicolons or tabs; decimal points or, with semicolons or
tabs, decimal commas) or the first sheet of an .xlsx or .ods workbook. Its first line names columns;
every other line is a correction. Columns may be left out and stand in any order; **an empty cell
leaves what is there as it is**. ``rallymill correct MATCH`` writes such a file with every point and
stroke of a match, to be edited; cells that are not changed correct nothing.

Every row has

``what``
    ``shot``, ``point``, ``players`` or ``court``.
``do``
    ``change`` (or empty), ``add``, ``remove``, or ``right``: looked at and found right. ``right``
    changes nothing, but counts when machine and corrected tables are compared.
``t_s``
    Seconds of the recording: a stroke's contact, any moment within a point, the moment from which
    the players stand so, or the frame in which a court point was seen. With it and ``side`` a
    stroke is found again after the match was read anew, up to ``TOLERANCE_S`` away; numbers such
    as ``shot_id`` are never used.
``side``
    For a shot, the side of its hitter as the tables now have it: ``near`` or ``far``.
``by``, ``note``
    Who says so and why; may be left out.

and besides, by ``what``:

``shot``
    Columns of the table ``shots``: ``t_contact_s``, ``hitter``, ``stroke``, ``wing``,
    ``direction``, ``depth``, ``in_court``, ``hitter_state``, ``opponent_state``, places
    (``contact_x_m``, ``contact_y_m``, ``contact_z_m``, ``bounce_x_m``, ``bounce_y_m``,
    ``hitter_x_m``, ``hitter_y_m``, ``opponent_x_m``, ``opponent_y_m``), ``t_bounce_s``,
    ``speed_mps``, ``net_clearance_m``, ``topspin_radps``. ``add`` needs ``t_s`` and ``side`` alone.
``point``
    Columns of the table ``points``: ``server``, ``serve_number``, ``serve_side``, ``ended_by``,
    ``won_by``, ``score`` (before the point, the server first: ``3-2, 15-30``; later scores are
    counted on from it). ``remove`` takes all its strokes away; to add a point, add its strokes.
``players``
    ``near`` and ``far``: codes of the players who stand there from ``t_s`` on, until the next such
    row. Names belong into the match sheet.
``court``
    ``court_point`` (a name as in a ``.court.yaml``), ``x_px``, ``y_px`` and, where the picture was
    not of the recording's own size, ``width_px``. ``remove`` takes the point back.

The word ``none`` in a cell empties it: not measured. Texts are those that the tables use, in any
case, with spaces or underscores. Columns ``clock`` and ``player`` are for the reader and are not
read; ``template`` says which template a row comes from, so that cells left as they were are told
from those that were changed, even when the tables have changed since. For example::

    what,do,t_s,side,stroke,wing,ended_by,won_by,note
    shot,,73.48,near,volley,backhand,,,
    shot,remove,75.02,far,,,,,the ball boy's bounce
    shot,add,75.90,far,lob,,,,
    point,,75.00,,,,winner,far,

The modules: :mod:`~rallymill.corrections.rows` says what a row may hold,
:mod:`~rallymill.corrections.reading` reads files, :mod:`~rallymill.corrections.template` writes the
one to edit, :mod:`~rallymill.corrections.store` keeps what was applied,
:mod:`~rallymill.corrections.agreement` compares machine and corrected tables. What follows from a
correction is worked out by the stages ``corrected_shots`` and ``corrected_points``.
"""
