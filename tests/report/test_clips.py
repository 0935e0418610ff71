from __future__ import annotations

import json
from pathlib import Path

import av
import numpy as np
import pytest

from rallymill import tableio, tables
from rallymill.errors import InputError
from rallymill.report import clipfile, clips, films, page
from tests.report import by_hand


def _frames(path: Path) -> list[tuple[float, np.ndarray]]:
    with av.open(str(path)) as film:
        video = film.streams.video[0]
        assert (video.codec_context.name, video.pix_fmt) == ("h264", "yuv420p")
        return [(float(f.time), f.to_ndarray(format="bgr24")) for f in film.decode(video)]


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("cut")
    film = by_hand.film(out / "lantern.mp4")
    recovery = by_hand.FLAGS[0] | {"rule": "recovery", "shot_id": 0}
    again = recovery | {"flag_id": 3, "clip_start_s": 0.4, "clip_end_s": 1.4}
    by_hand.write(out, flags=[recovery, *by_hand.FLAGS[1:], again])
    record = out / "matches" / by_hand.MATCH / "match.json"
    record.write_text(json.dumps({"path": str(film)}), encoding="utf-8")
    shares: list[float] = []
    counts = clips.build(out, by_hand.MATCH, shares.append)
    assert counts == {"point": 1, "flag": 4, "reel": 1}
    assert shares == sorted(shares) and shares[-1] == 1.0
    return out


def _folder(out: Path) -> Path:
    return out / "matches" / by_hand.MATCH / "page" / films.FOLDER


def test_each_flag_has_its_seconds(cut: Path) -> None:
    for name, start, end in (("flag-0000", 1.0, 3.0), ("flag-0001", 2.5, 4.0)):
        frames = _frames(_folder(cut) / f"{name}.mp4")
        assert frames[0][0] == 0.0
        assert len(frames) == pytest.approx((end - start) * by_hand.RATE, abs=1)
        entry = films.read_list(_folder(cut))[f"{name}.mp4"]
        assert entry["start_s"] == pytest.approx(start, abs=1.01 / by_hand.RATE)
        assert entry["length_s"] == pytest.approx(end - start, abs=1.5 / by_hand.RATE)


def test_a_reel_is_all_cases_of_one_rule_and_player(cut: Path) -> None:
    listed = films.read_list(_folder(cut))
    frames = _frames(_folder(cut) / "reel-recovery-a.mp4")
    times = [t_s for t_s, _ in frames]
    assert times == sorted(set(times))
    parts = [listed[f"flag-000{k}.mp4"]["length_s"] for k in (0, 3)]
    assert listed["reel-recovery-a.mp4"]["length_s"] == pytest.approx(sum(parts), abs=0.001)
    assert len(frames) == sum(len(_frames(_folder(cut) / f"flag-000{k}.mp4")) for k in (0, 3))


def test_the_line_that_matters_is_drawn_at_its_moment(cut: Path) -> None:
    point = _frames(_folder(cut) / "point-001.mp4")
    start = films.read_list(_folder(cut))["point-001.mp4"]["start_s"]

    def pink(t_s: float) -> int:
        image = min(point, key=lambda item: abs(item[0] + start - t_s))[1].astype(int)
        return int(((image[..., 2] - image[..., 1] > 60) & (image[..., 0] > 120)).sum())

    # A recovery flag at stroke 0 is about the opponent's contact, stroke 1 at 1.8 s.
    assert pink(1.8) > 60 and pink(0.5) == 0


def test_what_stands_is_kept_and_what_changed_is_cut_again(
    cut: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {p.name: p.stat().st_mtime_ns for p in _folder(cut).glob("point-*.mp4")}
    monkeypatch.setattr(clipfile, "encode", lambda *args: pytest.fail("cut again"))
    clips.build(cut, by_hand.MATCH)
    assert {p.name: p.stat().st_mtime_ns for p in _folder(cut).glob("point-*.mp4")} == before
    (_folder(cut) / "flag-0001.mp4").unlink()
    with pytest.raises(pytest.fail.Exception, match="cut again"):
        clips.build(cut, by_hand.MATCH)
    monkeypatch.undo()
    clips.build(cut, by_hand.MATCH)
    assert (_folder(cut) / "flag-0001.mp4").is_file()
    assert not list(_folder(cut).glob("*.part"))


def test_the_page_plays_clips_before_the_recording(cut: Path) -> None:
    whole = page.build(cut, by_hand.MATCH).read_text("utf-8")
    assert 'data-src="clips/flag-0001.mp4"' in whole
    assert 'data-src="clips/reel-recovery-a.mp4"' in whole
    point = (_folder(cut).parent / "points" / "001.html").read_text("utf-8")
    assert 'src="../clips/point-001.mp4#t=0.00"' in point
    assert '"offset":0.0' in point


def test_clips_of_other_rows_are_not_shown(cut: Path) -> None:
    flags = [by_hand.FLAGS[0] | {"rule": "recovery", "shot_id": 2}, *by_hand.FLAGS[1:]]
    path = cut / "matches" / by_hand.MATCH / "flags.parquet"
    before = path.read_bytes()
    tableio.write(path, tables.FLAGS, by_hand.table("flags", flags))
    whole = page.build(cut, by_hand.MATCH).read_text("utf-8")
    assert "clips/" not in whole and 'data-src="../../../lantern.mp4"' in whole
    path.write_bytes(before)
    assert "clips/reel-recovery-a.mp4" in page.build(cut, by_hand.MATCH).read_text("utf-8")


def test_a_recording_that_is_gone_is_an_error(tmp_path: Path) -> None:
    by_hand.write(tmp_path)
    with pytest.raises(InputError, match="not where it was read"):
        clips.build(tmp_path, by_hand.MATCH)


def test_nothing_to_write_leaves_no_file(tmp_path: Path) -> None:
    assert clipfile.encode(tmp_path / "none.mp4", [], 25) == 0.0
    assert clipfile.join(tmp_path / "none.mp4", []) == 0.0
    assert list(tmp_path.iterdir()) == []


def test_a_failure_in_the_middle_leaves_the_old_film(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    image = np.full((48, 64, 3), 90, np.uint8)
    clipfile.encode(path, [(k / 25, image) for k in range(5)], 25)
    before = path.read_bytes()

    def broken():  # type: ignore[no-untyped-def]
        yield 0.0, image
        raise InputError("damaged", "")

    with pytest.raises(InputError, match="damaged"):
        clipfile.encode(path, broken(), 25)
    assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]
