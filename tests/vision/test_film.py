"""Film reading. Oracles: the ffmpeg program that made each file knows size, order and time exactly."""

from __future__ import annotations

import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from vision.film import open_clip, write_film
from vision.trouble import FilmTrouble

FFMPEG = shutil.which("ffmpeg")


def bars(n: int, width: int = 96, height: int = 64) -> list[np.ndarray]:
    """Pictures whose number can be read back: frame i has its left i+1 columns bright, top rows red."""
    out = []
    for i in range(n):
        picture = np.zeros((height, width, 3), np.uint8)
        picture[height // 2 :, : 4 * (i % 20 + 1)] = 220
        picture[: height // 4, :, 2] = 200
        out.append(picture)
    return out


def number(picture: np.ndarray) -> int:
    row = picture[-8].mean(axis=-1)
    return int(round((row > 110).sum() / 4)) - 1


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "a.mp4"
    rate = Fraction(30000, 1001)
    write_film(path, [(float(i / rate), p) for i, p in enumerate(bars(20))], rate, quality=12)
    return path


def ffmpeg(*args: object) -> None:
    subprocess.run([str(FFMPEG), "-v", "error", "-y", *map(str, args)], check=True)


def test_exact_time_and_order(film: Path) -> None:
    clip = open_clip(film)
    items = list(clip)
    assert (clip.width_px, clip.height_px, clip.frame_count) == (96, 64, 20)
    assert [i for i, _, _ in items] == list(range(20))
    assert [number(p) for _, _, p in items] == list(range(20))
    assert np.allclose([t for _, t, _ in items], np.arange(20) * 1001 / 30000, atol=2e-5)
    assert np.allclose(clip.times_s, [t for _, t, _ in items])
    assert clip.notes == [] and not clip.variable_rate


def test_variable_rate_and_duplicate_stamps(tmp_path: Path) -> None:
    times = [0.0, 0.03, 0.2, 0.21, 0.9, 1.5]
    path = tmp_path / "v.mp4"
    write_film(path, list(zip(times, bars(6), strict=True)))
    clip = open_clip(path)
    assert clip.variable_rate
    assert np.allclose([t for _, t, _ in clip], times, atol=1e-3)
    assert clip.frame_near(0.5) == 3 and clip.frame_near(-1) == 0 and clip.frame_near(9) == 5


def test_seek_gives_the_same_pictures_as_reading_through(tmp_path: Path) -> None:
    path = tmp_path / "long.mp4"
    rng = np.random.default_rng(4)
    big = np.ones((16, 16, 1))
    pictures = [np.kron(rng.integers(0, 255, (4, 6, 3)), big).astype(np.uint8) for _ in range(400)]
    write_film(path, [(i / 30, p) for i, p in enumerate(pictures)])
    clip = open_clip(path)
    whole = {i: p for i, _, p in clip.frames(300, 310)}
    through = {i: p for i, _, p in clip if 300 <= i < 310}
    assert whole.keys() == through.keys() == set(range(300, 310))
    assert all(np.array_equal(whole[i], through[i]) for i in whole)
    assert np.array_equal(clip.picture(305), through[305])


@pytest.mark.skipif(not FFMPEG, reason="needs the ffmpeg program")
@pytest.mark.parametrize(
    "suffix,codec", [("mkv", "libx265"), ("avi", "mpeg4"), ("mov", "libx264"), ("ts", "libx264")]
)
def test_other_containers(film: Path, tmp_path: Path, suffix: str, codec: str) -> None:
    path = tmp_path / f"b.{suffix}"
    ffmpeg("-i", film, "-c:v", codec, "-b:v", "2M", path)
    assert [number(p) for _, _, p in open_clip(path)] == list(range(20))


@pytest.mark.skipif(not FFMPEG, reason="needs the ffmpeg program")
@pytest.mark.parametrize("turn", [90, 180, 270])
def test_rotation_flag_as_ffmpeg_shows_it(film: Path, tmp_path: Path, turn: int) -> None:
    path, shown = tmp_path / "r.mp4", tmp_path / "shown.mkv"
    ffmpeg("-i", film, "-c", "copy", path)
    with av.open(str(path)) as old, av.open(str(path.with_name("t.mp4")), "w") as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        stream.set_display_rotation(turn)
        for packet in old.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                new.mux(packet)
    path = path.with_name("t.mp4")
    ffmpeg("-i", path, "-c:v", "ffv1", shown)  # ffmpeg turns the picture itself when it re-encodes
    clip = open_clip(path)
    ours = clip.picture(3)
    oracle = open_clip(shown).picture(3)
    assert ours.shape == oracle.shape == (clip.height_px, clip.width_px, 3)
    assert np.abs(ours.astype(int) - oracle).mean() < 4


@pytest.mark.skipif(not FFMPEG, reason="needs the ffmpeg program")
def test_interlaced_comes_out_whole(tmp_path: Path) -> None:
    path = tmp_path / "i.mkv"
    ffmpeg(
        "-f",
        "lavfi",
        "-i",
        "testsrc2=size=320x240:rate=60:duration=1",
        "-vf",
        "tinterlace=interleave_top",
        "-c:v",
        "mpeg2video",
        "-flags",
        "+ildct+ilme",
        "-b:v",
        "8M",
        path,
    )
    clip = open_clip(path)
    items = list(clip)
    assert clip.interlaced and len(items) == clip.frame_count
    assert np.allclose([t for _, t, _ in items], clip.times_s, atol=0.002)
    with av.open(str(path)) as box:
        raw = [f.to_ndarray(format="gray") for f in box.decode(video=0)]

    def combing(gray: np.ndarray) -> float:
        rows = gray.astype(float)
        return float(np.abs(2 * rows[1:-1] - rows[:-2] - rows[2:]).mean())

    ours = [p.mean(axis=2) for _, _, p in items]
    assert np.mean([combing(p) for p in ours[3:-3]]) < 0.75 * np.mean([combing(p) for p in raw[3:-3]])


@pytest.mark.skipif(not FFMPEG, reason="needs the ffmpeg program")
def test_odd_size_and_wide_pixels(film: Path, tmp_path: Path) -> None:
    odd = tmp_path / "odd.mkv"
    ffmpeg("-i", film, "-vf", "scale=97:63", "-pix_fmt", "yuv444p", "-c:v", "libx264", odd)
    assert open_clip(odd).picture(0).shape == (63, 97, 3)
    wide = tmp_path / "wide.mp4"
    ffmpeg("-i", film, "-vf", "setsar=4/3", "-c:v", "libx264", wide)
    clip = open_clip(wide)
    assert (clip.width_px, clip.height_px) == (128, 64)
    assert clip.picture(0).shape == (64, 128, 3)


def test_plain_words_for_bad_files(film: Path, tmp_path: Path) -> None:
    text = tmp_path / "t.mp4"
    text.write_text("this is not film")
    empty = tmp_path / "e.mp4"
    empty.touch()
    for path, words in [
        (tmp_path / "none.mp4", "no such file"),
        (text, "not a film"),
        (empty, "0 bytes"),
        (tmp_path, "a folder"),
    ]:
        with pytest.raises(FilmTrouble, match=words) as found:
            open_clip(path)
        assert str(path) in str(found.value) and "\n" not in str(found.value)
        assert found.value.remedy


def test_cut_off_file(tmp_path: Path) -> None:
    film = tmp_path / "noise.mp4"
    noise = np.random.default_rng(1).integers(0, 255, (20, 64, 96, 3)).astype(np.uint8)
    write_film(film, [(i / 30, p) for i, p in enumerate(noise)])
    data = film.read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(data[: int(len(data) * 0.75)])
    clip = open_clip(cut)
    read = list(clip)
    assert 0 < len(read) < 20
    assert clip.notes and "ends early" in clip.notes[0]
    head = tmp_path / "head.mp4"
    head.write_bytes(data[:60])
    with pytest.raises(FilmTrouble):
        open_clip(head)


@pytest.mark.skipif(not FFMPEG, reason="needs the ffmpeg program")
def test_only_sound(tmp_path: Path) -> None:
    path = tmp_path / "s.m4a"
    ffmpeg("-f", "lavfi", "-i", "sine=duration=1", path)
    with pytest.raises(FilmTrouble, match="only sound"):
        open_clip(path)
