"""Recordings: look at them, decode them with their true times, write films, cut clips.

What a stage may rely on, whatever the recording: frames come upright (a rotation flag is
applied), with square pixels (stored pixels that are not square are resampled across, the height
is kept), deinterlaced (an interlaced recording gives a frame for every field, so 25 stored frames
a second become 50), numbered from 0 and with times in seconds from the start of the stream that
always grow. A varying frame rate needs no care: use the times.

Nothing here reads ahead of what it must: spans are decoded from the start of the file up to the
last frame asked for, because only counting makes frame numbers certain in every container.
"""

from rallymill.video_decode import MAX_BAD_PACKETS, ReadReport, set_threads
from rallymill.video_frames import Frame, FrameStream, collect_reports, frames, moments
from rallymill.video_info import Survey, VideoInfo, content_hash, probe, survey
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
    "moments",
    "probe",
    "set_threads",
    "survey",
]
