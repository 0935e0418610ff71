"""Recordings: sizes, times, turns, fields, damage, and threads that end."""

from __future__ import annotations

import contextlib
import gc
import hashlib
import threading
import time
from fractions import Fraction

import av
import numpy as np
import pytest

from films import cut_short, film, picture, sound_only
from rallymill import video, video_decode, video_search
from rallymill.errors import InputError


def decoders() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "decode"]


def wait_for_no_decoder(limit_s: float = 2.0) -> None:
    end = time.monotonic() + limit_s
    while decoders() and time.monotonic() < end:
        time.sleep(0.01)
    assert not decoders()


def is_red(pixel: np.ndarray) -> bool:
    blue, green, red = (int(value) for value in pixel)
    return red > 200 and blue < 60 and green < 60


# what cannot be read


def test_empty_file_says_so(tmp_path):
    path = tmp_path / "night.mp4"
    path.touch()
    with pytest.raises(InputError, match=r"night.mp4 is empty") as caught:
        video.probe(path)
    assert caught.value.remedy


def test_names_in_no_known_writing_are_no_reason_to_refuse(tmp_path):
    path = film(tmp_path / "night.mkv", n=3, options={})
    part = tmp_path / "named.mkv"
    with av.open(str(path)) as source, av.open(str(part), "w") as out:
        out.metadata["title"] = "MATCHDAY"
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                out.mux(packet)
    content = part.read_bytes()
    assert content.count(b"MATCHDAY") == 1
    part.write_bytes(content.replace(b"MATCHDAY", b"M\xe4TCH\xff\xfe\xe9"))
    assert len(list(video.frames(part))) == 3


def test_missing_file_says_so(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        video.frames(tmp_path / "gone.mp4")


@pytest.mark.parametrize("text", ["Shopping list\n- strings\n" * 40, "Müller–Straße ✓" * 500])
def test_text_is_called_text(tmp_path, text):
    path = tmp_path / "notes.mp4"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="not a video: it holds text"):
        video.probe(path)


def test_other_bytes_are_not_a_video(tmp_path):
    path = tmp_path / "noise.mp4"
    path.write_bytes(np.random.default_rng(3).bytes(50_000))
    with pytest.raises(InputError, match="not a video"):
        video.probe(path)


def test_sound_without_picture_says_so(tmp_path):
    with pytest.raises(InputError, match="no picture"):
        video.probe(sound_only(tmp_path / "talk.mp4"))


def test_cut_off_before_the_index_says_so(tmp_path):
    whole = film(tmp_path / "whole.mp4", n=100, faststart=False)
    with pytest.raises(InputError, match="cut off"):
        video.probe(cut_short(whole, 0.9, tmp_path / "part.mp4"))


def test_no_decodable_frame_is_an_error(tmp_path):
    whole = film(tmp_path / "whole.mp4", n=20).read_bytes()
    start = whole.index(b"mdat") + 4
    path = tmp_path / "wiped.mp4"
    path.write_bytes(whole[:start] + bytes(len(whole) - start))
    with pytest.raises(InputError, match="no frame"):
        video.probe(path)
    with pytest.raises(InputError, match="no frame"):
        list(video.frames(path))


# what can


def test_cut_off_recording_gives_what_it_holds(tmp_path):
    whole = film(tmp_path / "whole.mp4", n=200)
    part = cut_short(whole, 0.6, tmp_path / "part.mp4")
    assert not video.survey(whole).truncated
    survey = video.survey(part)
    assert survey.truncated
    assert 1.0 < survey.read_s < 6.0
    read = list(video.frames(part))
    assert abs(len(read) - survey.packets) <= 2


def test_damage_in_the_middle_is_passed_over_and_counted(tmp_path):
    whole = bytearray(film(tmp_path / "whole.mp4", n=200).read_bytes())
    middle = len(whole) // 2
    whole[middle : middle + 2000] = bytes(2000)
    path = tmp_path / "hurt.mp4"
    path.write_bytes(whole)
    stream = video.frames(path)
    times = [frame.t_s for frame in stream]
    assert stream.report.n_bad_packets > 0
    assert 100 < len(times) < 200
    # What stands after the damage keeps its own time.
    assert times[-1] == pytest.approx(199 / 25, abs=1e-3)


def test_too_much_damage_is_an_error(tmp_path, monkeypatch):
    monkeypatch.setattr(video_decode, "MAX_BAD_PACKETS", 3)
    whole = bytearray(film(tmp_path / "whole.mp4", n=200).read_bytes())
    start = whole.index(b"mdat") + 4 + (len(whole) - whole.index(b"mdat")) // 4
    whole[start:] = bytes(len(whole) - start)
    path = tmp_path / "hurt.mp4"
    path.write_bytes(whole)
    with pytest.raises(InputError, match="more of it is damaged"):
        list(video.frames(path))


@pytest.mark.parametrize("rate", [24, 25, Fraction(30000, 1001), 50, Fraction(60000, 1001)])
def test_steady_times_are_those_of_the_file(tmp_path, rate):
    path = film(tmp_path / "a.mp4", n=40, rate=rate)
    read = list(video.frames(path))
    assert [frame.index for frame in read] == list(range(40))
    expected = np.arange(40) / float(rate)
    assert np.allclose([frame.t_s for frame in read], expected, atol=2e-5)
    info = video.probe(path)
    assert info.rate == Fraction(rate)
    assert not info.variable_rate
    assert info.n_frames == 40
    assert info.duration_s == pytest.approx(40 / float(rate), abs=0.05)


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_varying_rate_keeps_its_times(tmp_path, suffix):
    rng = np.random.default_rng(11)
    times = np.concatenate([[0.0], np.cumsum(rng.uniform(0.015, 0.09, 59))])
    path = film(tmp_path / f"phone{suffix}", n=60, times_s=times)
    read = [frame.t_s for frame in video.frames(path)]
    assert np.allclose(read, times, atol=6e-4)
    assert video.probe(path).variable_rate


def test_whole_milliseconds_do_not_look_like_a_varying_rate(tmp_path):
    path = film(tmp_path / "a.mkv", n=60, rate=Fraction(30000, 1001))
    assert not video.probe(path).variable_rate


@pytest.mark.parametrize(
    ("turn", "corner"), [(90, (-5, 5)), (180, (-5, -5)), (270, (5, -5)), (-90, (5, -5))]
)
def test_rotation_flag_is_applied(tmp_path, turn, corner):
    path = film(tmp_path / "phone.mp4", n=14, rotation_deg=turn)
    image = next(video.frames(path)).image
    info = video.probe(path)
    assert image.shape[:2] == (info.height_px, info.width_px)
    assert image.shape[:2] == ((160, 120) if turn % 180 else (120, 160))
    assert is_red(image[corner])


def test_rotation_matrix_of_the_file_format(tmp_path):
    # Track header matrix of ISO/IEC 14496-12, written by hand: (x, y) -> (-y, x) with y down is a
    # quarter turn clockwise, so the red corner goes from top left to top right.
    data = bytearray(film(tmp_path / "flat.mp4", n=14).read_bytes())
    at = data.index(b"tkhd") + 4 + 4 + 20 + 16
    one = 1 << 16
    matrix = (0, one, 0, -one, 0, 0, 0, 0, 1 << 30)
    data[at : at + 36] = b"".join(value.to_bytes(4, "big", signed=True) for value in matrix)
    path = tmp_path / "turned.mp4"
    path.write_bytes(data)
    image = next(video.frames(path)).image
    assert image.shape == (160, 120, 3)
    assert is_red(image[5, -5])


def test_wide_pixels_become_square(tmp_path):
    path = film(tmp_path / "old.mp4", n=14, aspect=Fraction(16, 11))
    info = video.probe(path)
    assert (info.width_px, info.height_px) == (round(160 * 16 / 11), 120)
    image = next(video.frames(path)).image
    assert image.shape == (120, info.width_px, 3)
    # The red square of 24 stored pixels is 24 high and 35 wide now.
    assert is_red(image[12, 30])
    assert not is_red(image[30, 12])


def test_small_pictures_keep_the_proportions(tmp_path):
    path = film(tmp_path / "a.mp4", n=14, rotation_deg=90)
    image = next(video.frames(path, width_px=60)).image
    assert image.shape == (80, 60, 3)


@pytest.mark.parametrize(("suffix", "order"), [(".mp4", "tff"), (".ts", "tff"), (".mp4", "bff")])
def test_interlaced_gives_a_frame_for_every_field(tmp_path, suffix, order):
    # Each stored frame weaves two moments: the bar of the later lines stands 12 px further right.
    images = []
    for index in range(24):
        early, late = picture(6 * index), picture(6 * index + 3)
        lines = slice(1, None, 2) if order == "tff" else slice(0, None, 2)
        early[lines] = late[lines]
        images.append(early)
    path = film(tmp_path / f"tape{suffix}", n=24, interlaced=order, images=images)
    info = video.probe(path)
    assert info.interlaced
    assert info.rate == 50
    read = list(video.frames(path))
    assert len(read) == 48
    assert np.allclose([frame.t_s for frame in read], np.arange(48) / 50, atol=1e-3)

    def bar(frame):
        bright = np.flatnonzero(frame.image[66:72, :, 1].mean(axis=0) > 150)
        return bright.mean()

    steps = [bar(read[k + 1]) - bar(read[k]) for k in range(2, 8)]
    assert all(6 <= step <= 18 for step in steps)


def test_missing_and_backward_times_are_repaired():
    clock = video_decode.Clock(0.0, 0.04)

    class Stored:
        def __init__(self, pts):
            self.pts, self.time_base = pts, Fraction(1, 1000)

    read = [clock.read(Stored(pts)) for pts in (0, 40, None, 120, 100, 200)]
    assert [repaired for _, repaired in read] == [False, False, True, False, True, False]
    times = [t_s for t_s, _ in read]
    assert times == pytest.approx([0.0, 0.04, 0.08, 0.12, 0.16, 0.2])


@pytest.mark.parametrize("count", [1, 3])
def test_threads_do_not_change_the_frames(tmp_path, monkeypatch, count):
    path = film(tmp_path / "a.mp4", n=40)
    before = [(frame.t_s, frame.image.tobytes()) for frame in video.frames(path)]
    monkeypatch.setattr(video_decode, "_threads", 0)
    video.set_threads(count)
    assert [(frame.t_s, frame.image.tobytes()) for frame in video.frames(path)] == before


# choosing frames


def test_spans_and_steps_do_not_change_the_numbers(tmp_path):
    path = film(tmp_path / "a.mp4", n=60)
    every = {frame.index: frame for frame in video.frames(path)}
    chosen = list(video.frames(path, spans=[(40, 44), (3, 9)], every=2))
    assert [frame.index for frame in chosen] == [3, 5, 7, 9, 40, 42, 44]
    for frame in chosen:
        assert frame.t_s == every[frame.index].t_s
        assert np.array_equal(frame.image, every[frame.index].image)
    assert [frame.index for frame in video.frames(path, every=25)] == [0, 25, 50]
    overlapping = list(video.frames(path, spans=[(0, 20), (5, 9), (19, 22)], every=5))
    assert [frame.index for frame in overlapping] == [0, 5, 10, 15, 19, 20]


def open_film(path, n, **more):
    """A film with pictures that refer ahead across key frames, as stations send them."""
    options = {"preset": "medium", "x264-params": "open-gop=1:bframes=3:keyint=20"}
    return film(path, n=n, options=options, **more)


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".ts"])
def test_spans_are_the_same_whether_counted_or_searched(tmp_path, suffix, monkeypatch):
    monkeypatch.setattr(video_search, "SEARCH_GAP_FRAMES", 30)
    path = open_film(tmp_path / f"a{suffix}", 300)
    spans = [(250, 260), (100, 104), (3, 6), (110, 115)]
    counted = list(video.frames(path, spans))
    assert video_search.known_stamps(path) is None
    every = {frame.index: frame for frame in video.frames(path)}
    assert len(video_search.known_stamps(path)) == 300
    decoded = []
    original = video_decode.Clock.read
    monkeypatch.setattr(
        video_decode.Clock, "read", lambda self, frame: decoded.append(1) or original(self, frame)
    )
    searched = list(video.frames(path, spans))
    assert len(decoded) < 60
    assert [frame.index for frame in searched] == [frame.index for frame in counted]
    for one, other in zip(searched, counted, strict=True):
        assert one.t_s == other.t_s == every[one.index].t_s
        assert np.array_equal(one.image, other.image)
    assert list(video.frames(path, [(900, 950)])) == []


def test_recording_that_changed_is_counted_again(tmp_path):
    path = film(tmp_path / "a.mp4", n=40)
    list(video.frames(path))
    assert len(video_search.known_stamps(path)) == 40
    film(path, n=50)
    assert video_search.known_stamps(path) is None


def test_wrong_stamps_lead_back_to_counting(tmp_path, monkeypatch):
    monkeypatch.setattr(video_search, "SEARCH_GAP_FRAMES", 30)
    path = film(tmp_path / "a.mp4", n=200)
    spans = [(150, 160)]
    counted = [(f.index, f.image.tobytes()) for f in video.frames(path, spans)]
    list(video.frames(path))
    stamps = video_search.known_stamps(path)
    for wrong in (stamps + 1, np.delete(stamps, 155)):
        monkeypatch.setitem(video_search._stamps, video_search._key(path), wrong)
        found = [(f.index, f.image.tobytes()) for f in video.frames(path, spans)]
        assert [index for index, _ in found] == [index for index, _ in counted]
        # A missing stamp shifts the numbers behind it; what is found by stamp stays right.
        assert found[:5] == counted[:5]


def test_fields_and_unstamped_frames_are_always_counted(tmp_path):
    path = film(tmp_path / "tape.mp4", n=30, interlaced="tff")
    list(video.frames(path))
    assert video_search.known_stamps(path) is None


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        ([], []),
        ([(5, 9)], [(0, 9)]),
        ([(1000, 1100), (1300, 1400), (5000, 5010)], [(1000, 1400), (5000, 5010)]),
        ([(1000, 3000), (1500, 1600)], [(1000, 3000)]),
        ([(9000, 20000)], [(9000, 9999)]),
        ([(20000, 20001)], []),
    ],
)
def test_stretches(spans, expected):
    assert video_search.stretches(spans, 10_000) == expected


def test_no_spans_give_no_frames(tmp_path):
    path = film(tmp_path / "a.mp4", n=20)
    assert list(video.frames(path, spans=[])) == []
    assert list(video.frames(path, spans=[(500, 600)])) == []


def test_step_below_one_is_refused(tmp_path):
    with pytest.raises(ValueError, match="at least 1"):
        video.frames(tmp_path / "a.mp4", every=0)


# threads


@pytest.mark.parametrize("at", [0, 30, 59])
def test_thread_ends_when_the_consumer_raises(tmp_path, at):
    path = film(tmp_path / "a.mp4", n=60)
    started = time.monotonic()

    def consume():
        for frame in video.frames(path):
            if frame.index == at:
                raise RuntimeError("consumer")

    with contextlib.suppress(RuntimeError):
        consume()
    gc.collect()
    wait_for_no_decoder()
    assert time.monotonic() - started < 3.0


@pytest.mark.parametrize("at", [0, 30, 59])
def test_error_in_the_thread_reaches_the_consumer(tmp_path, monkeypatch, at):
    path = film(tmp_path / "a.mp4", n=60)
    original = video_decode.Painter.paint
    seen = []

    def paint(self, frame):
        seen.append(1)
        if len(seen) > at:
            raise ZeroDivisionError("painter")
        return original(self, frame)

    monkeypatch.setattr(video_decode.Painter, "paint", paint)
    read = 0
    with pytest.raises(ZeroDivisionError, match="painter"):
        for _ in video.frames(path):
            read += 1
    assert read == at
    wait_for_no_decoder()


def test_closed_stream_is_over(tmp_path):
    path = film(tmp_path / "a.mp4", n=60)
    with video.frames(path) as stream:
        next(stream)
    assert list(stream) == []
    stream.close()
    wait_for_no_decoder(0.5)


# writing


def test_written_film_comes_back(tmp_path):
    path = tmp_path / "new" / "film.mp4"
    times = [0.0, 0.04, 0.1, 0.11, 0.3]
    with video.Writer(path, 160, 120, 25) as writer:
        for index, t_s in enumerate(times):
            writer.write(picture(index), t_s)
    read = list(video.frames(path))
    assert [frame.t_s for frame in read] == pytest.approx(times, abs=1e-4)
    for index, frame in enumerate(read):
        difference = np.abs(frame.image.astype(int) - picture(index).astype(int))
        assert np.median(difference) <= 4
    with av.open(str(path)) as container:
        context = container.streams.video[0].codec_context
        assert (context.name, context.pix_fmt) == ("h264", "yuv420p")
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    assert list(path.parent.iterdir()) == [path]


def test_failed_film_leaves_nothing(tmp_path):
    path = tmp_path / "film.mp4"
    with pytest.raises(RuntimeError), video.Writer(path, 160, 120, 25) as writer:
        writer.write(picture(0))
        raise RuntimeError("painter")
    assert list(tmp_path.iterdir()) == []


def test_writer_refuses_what_it_cannot_keep(tmp_path):
    with pytest.raises(InputError, match="161 x 120"):
        video.Writer(tmp_path / "odd.mp4", 161, 120, 25)
    with video.Writer(tmp_path / "a.mp4", 160, 120, 25) as writer:
        writer.write(picture(0), 1.0)
        with pytest.raises(InputError, match="does not come after"):
            writer.write(picture(1), 1.0)
        with pytest.raises(InputError, match="frame of"):
            writer.write(picture(1, 80, 60))


def test_cut_holds_the_seconds_asked_for(tmp_path):
    path = film(tmp_path / "a.mp4", n=100)
    out = tmp_path / "clip.mp4"
    assert video.cut(path, 1.0, 2.0, out) == 26
    read = list(video.frames(out))
    assert read[-1].t_s == pytest.approx(1.0, abs=1e-3)
    bright = np.flatnonzero(read[0].image[62:74, :, 1].mean(axis=0) > 150)
    assert bright.min() == pytest.approx(100, abs=1)  # frame 25: bar at 4 * 25


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".ts", ".avi"])
def test_moments_are_the_frames_of_those_seconds(tmp_path, suffix):
    path = film(tmp_path / f"a{suffix}", n=200, rate=Fraction(30000, 1001))
    every = list(video.frames(path))
    wanted = [frame for frame in every if 4.0 <= frame.t_s <= 4.5]
    found = list(video.moments(path, 4.0, 4.5))
    assert [t_s for t_s, _ in found] == pytest.approx([frame.t_s for frame in wanted], abs=1e-6)
    for (_, image), frame in zip(found, wanted, strict=True):
        assert np.array_equal(image, frame.image)


def test_moments_do_not_decode_what_stands_before(tmp_path, monkeypatch):
    path = film(tmp_path / "a.mp4", n=400)
    decoded = []
    original = video_decode.Clock.read

    def read(self, frame):
        decoded.append(1)
        return original(self, frame)

    monkeypatch.setattr(video_decode.Clock, "read", read)
    assert len(list(video.moments(path, 14.0, 14.2))) == 6
    assert len(decoded) < 60


def test_reports_of_a_run_are_collected(tmp_path):
    path = film(tmp_path / "a.mp4", n=20)
    with video.collect_reports() as reports:
        list(video.frames(path))
        list(video.frames(path, spans=[(0, 4)]))
    list(video.frames(path))
    assert [report.n_decoded for report in reports] == [20, 5]


def test_cut_of_nothing_writes_nothing(tmp_path):
    path = film(tmp_path / "a.mp4", n=20)
    assert video.cut(path, 50.0, 60.0, tmp_path / "clip.mp4") == 0
    assert not (tmp_path / "clip.mp4").exists()


def test_content_hash_is_sha256(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(b"lantern" * 400_000)
    assert video.content_hash(path) == hashlib.sha256(b"lantern" * 400_000).hexdigest()
    with pytest.raises(InputError, match="cannot be read"):
        video.content_hash(tmp_path / "gone")


def test_a_written_h265_film_comes_back_and_a_bound_makes_it_smaller(tmp_path):
    rng = np.random.default_rng(0)
    images = [rng.integers(0, 255, (96, 128, 3), dtype=np.uint8) for _ in range(25)]
    sizes = []
    for name, bound in (("free", None), ("bound", 100_000)):
        path = tmp_path / f"{name}.mp4"
        with video.Writer(path, 128, 96, 25, crf=20, codec="h265", most_bits_per_s=bound) as out:
            for image in images:
                out.write(image)
        assert video.probe(path).codec == "hevc"
        assert len(list(video.frames(path))) == 25
        sizes.append(path.stat().st_size)
    assert sizes[1] < sizes[0] / 3
    with pytest.raises(InputError, match="h264, h265"):
        video.Writer(tmp_path / "other.mp4", 128, 96, 25, codec="other")
