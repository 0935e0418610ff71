"""Recordings: look at them, decode them with their true times, write films, cut clips.

What a stage may rely on, whatever the recording: frames come upright (a rotation flag is
applied), with square pixels (stored pixels that are not square are resampled across, the height
is kept), deinterlaced (an interlaced recording gives a frame for every field, so 25 stored frames
a second become 50), numbered from 0 and with times in seconds from the start of the stream that
always grow. A varying frame rate needs no care: use the times.

Only counting from the start makes frame numbers certain in every container. The first pass over
spans therefore decodes all up to the last frame asked for; once a pass has counted the whole
recording, later ones go straight to their spans, in the same process or in one that is told the
stamps of its frames.
"""

from rallymill.video_decode import MAX_BAD_PACKETS, ReadReport, set_threads
from rallymill.video_frames import Frame, FrameStream, collect_reports, frames, moments
from rallymill.video_info import Survey, VideoInfo, content_hash, probe, survey
from rallymill.video_search import known_stamps, tell_stamps
from rallymill.video_write import Writer, cut

__all__ = [
    "MAX_BAD_PACKETS",
    "Frame",
    "FrameStream",
    "ReadReport",
    "Survey",
    "VideoInfo",
    "Writer",
    "collect_reports",
    "content_hash",
    "cut",
    "frames",
    "known_stamps",
    "moments",
    "probe",
    "set_threads",
    "survey",
    "tell_stamps",
]
