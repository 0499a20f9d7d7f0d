"""The people of rendered film: right way round, feet on the ground, no skating, sizes of real people."""

import numpy as np
import pytest

from models.synthetic.people import ACTIONS, ASSET, EXTRAS, SHAPES, VARIANTS, PeopleLibrary

YARD_M = 0.9144
PLAYERS = ("lineman", "linebacker", "skill")
PLANTED = (
    "stand",
    "stance2",
    "stance3",
    "stance3_left",
    "receiver",
    "crouch",
    "pass_set",
    "block",
    "hold_ball",
    "walk",
    "kneel",
    "hips",
    "folded",
    "knees",
    "arms_up",
    "point",
)
BOTH_FEET = ("stand", "stance2", "stance3", "stance3_left", "receiver", "crouch", "hips", "folded", "knees")
GAITS = {
    "walk": (-1, 0),
    "jog": (-1, 0),
    "run": (-1, 0),
    "carry": (-1, 0),
    "backpedal": (1, 0),
    "shuffle": (0, -1),
}


@pytest.fixture(scope="module")
def library() -> PeopleLibrary:
    return PeopleLibrary.load()


def frames(library: PeopleLibrary, action: str) -> range:
    clip = library.clips[action]
    return range(clip.first_frame, clip.first_frame + clip.n_frames)


def part(library: PeopleLibrary, *names: str) -> np.ndarray:
    return np.flatnonzero(library.part_mask(*names))


def shoe_sides(library: PeopleLibrary) -> tuple[np.ndarray, np.ndarray]:
    """Vertices of the left and the right shoe, told apart in the upright stand."""
    shoe = part(library, "shoe")
    y = library.vertices[0, library.clips["stand"].first_frame, shoe, 1]
    return shoe[y > 0], shoe[y < 0]


def test_every_action_and_shape_is_there_and_small(library):
    assert library.shapes == SHAPES
    assert set(ACTIONS) | set(EXTRAS) == set(library.clips)
    assert library.vertices.shape == (
        5,
        sum(c.n_frames for c in library.clips.values()),
        len(library.part),
        3,
    )
    assert ASSET.stat().st_size < 4e6
    assert "CC0" in library.licence
    covered = sorted(k for a in library.clips for k in frames(library, a))
    assert covered == list(range(library.vertices.shape[1]))


def test_arrays_are_sound_and_read_only(library):
    assert np.isfinite(library.vertices).all() and np.isfinite(library.uv).all()
    assert np.abs(library.vertices[..., :2]).max() < 1.8 and library.vertices.max() < 2.8  # arms up: 2.65 yd
    assert library.faces.max() < len(library.part)
    parts = library.part[library.faces]
    assert (parts == parts[:, :1]).all()
    for array in (library.vertices, library.vertices_q, library.faces, library.normals):
        with pytest.raises(ValueError):
            array[0] = 0


def test_a_man_drawn_small_has_fewer_faces_and_the_same_shape(library):
    """Of one part each; no more open edges than the full body has; within an inch of its ends."""
    far = library.faces_far.astype(int)
    assert len(far) < 0.45 * len(library.faces)
    parts = library.part[far]
    assert (parts == parts[:, :1]).all()
    assert set(parts[:, 0]) == set(library.part[library.faces[:, 0]])

    def open_edges(faces):
        welded = library.weld[faces].astype(int)
        edges = np.sort(welded[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        edges = edges[edges[:, 0] != edges[:, 1]]
        return int((np.unique(edges, axis=0, return_counts=True)[1] == 1).sum())

    assert open_edges(far) <= open_edges(library.faces.astype(int))
    used = np.unique(far)
    whole, few = library.vertices, library.vertices[:, :, used]
    lost = np.concatenate([few.min(2) - whole.min(2), whole.max(2) - few.max(2)], -1)
    assert lost.mean() < 0.005 and lost.max() < 0.035  # yards; at 26 pixels a yard a pixel at most


def test_collapses_keep_a_ball_round():
    """Outside check: faces taken from scipy's hull of points on a sphere; the volume hardly shrinks."""
    from scipy.spatial import ConvexHull

    from models.training.people_far import far_faces

    points = np.random.default_rng(3).standard_normal((400, 3))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    hull = ConvexHull(points)
    turned = np.einsum("ij,ij->i", hull.equations[:, :3], np.cross(*_sides(points, hull.simplices))) < 0
    faces = hull.simplices.copy()
    faces[turned] = faces[turned][:, ::-1]
    kept = far_faces(points[None], faces, np.arange(400), np.ones(len(faces)), 200)
    assert 190 <= len(kept) <= 200

    def volume(f):
        a, b, c = (points[f[:, k]] for k in range(3))
        return np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6

    assert volume(faces) == pytest.approx(hull.volume)
    assert ConvexHull(points[np.unique(kept)]).volume == pytest.approx(volume(kept), rel=0.03)
    assert volume(kept) > 0.92 * volume(faces)


def _sides(points, faces):
    a, b, c = (points[faces[:, k]] for k in range(3))
    return b - a, c - a


@pytest.mark.parametrize("shape", SHAPES)
def test_faces_look_outward(library, shape):
    """Signed volume (divergence theorem) is positive and near that of a dressed man (1 kg a litre)."""
    v = library.body(shape, "stand", 0.0).astype(float) * YARD_M
    body = library.faces_without("helmet", "facemask", "visor", "cap").astype(int)
    a, b, c = (v[body[:, k]] for k in range(3))
    litres = 1000 * np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6
    low, high = {
        "lineman": (125, 190),
        "linebacker": (95, 145),
        "skill": (78, 125),
        "official": (75, 125),
        "ordinary": (65, 120),
    }[shape]
    assert low < litres < high


@pytest.mark.parametrize(
    ("shape", "low_m", "high_m"),
    # From memory: NCAA rosters (linemen 1.88-1.98 m, linebackers 1.83-1.91, backs and receivers 1.75-1.88);
    # CDC NHANES, US men 20 and over: 5th to 95th percentile 1.63-1.88 m, mean 1.755.
    [
        ("lineman", 1.88, 1.98),
        ("linebacker", 1.83, 1.91),
        ("skill", 1.75, 1.88),
        ("official", 1.63, 1.88),
        ("ordinary", 1.63, 1.88),
    ],
)
def test_stature(library, shape, low_m, high_m):
    s = library.shape_index(shape)
    assert low_m < library.height_yd[s] * YARD_M < high_m
    head = library.body(shape, "stand", 0.0)[part(library, "skin", "hair"), 2].max() * YARD_M
    assert head == pytest.approx(library.height_yd[s] * YARD_M, abs=0.05)  # shoes add, soft knees take away


@pytest.mark.parametrize("action", PLANTED)
def test_feet_are_on_the_ground(library, action):
    left, right = shoe_sides(library)
    for s in range(len(library.shapes)):
        for t in frames(library, action):
            v = library.vertices[s, t, :, 2] * YARD_M
            assert abs(v.min()) < 0.03
            assert min(v[left].min(), v[right].min()) < 0.03
            if action in BOTH_FEET:
                assert max(v[left].min(), v[right].min()) < 0.03


def test_hand_is_down_in_a_three_point_stance(library):
    hand = library.hands[:, :, :, 2] * YARD_M
    for action, down, up in (("stance3", 1, 0), ("stance3_left", 0, 1)):
        for t in frames(library, action):
            assert (hand[:3, t, down] < 0.20).all() and (hand[:3, t, up] > 0.30).all()


@pytest.mark.parametrize("action", ["jog", "run", "carry"])
def test_running_has_flight_and_contact(library, action):
    lowest = library.vertices[..., 2][:, frames(library, action)].min(axis=2) * YARD_M
    assert (lowest > -0.03).all()
    assert ((lowest < 0.03).mean(axis=1) > 0.3).all()
    assert (lowest.max(axis=1) > 0.03).all() and (lowest < 0.20).all()


@pytest.mark.parametrize("action", GAITS)
def test_feet_do_not_skate(library, action):
    """A shoe's lowest vertices that stay low move through the body frame against the motion, at its speed."""
    clip, ts = library.clips[action], list(frames(library, action))
    step = clip.stride_yd / clip.n_frames
    direction = np.array(GAITS[action], float)
    slip = []
    for s in range(len(library.shapes)):
        for side in shoe_sides(library):
            for t, after in zip(ts, ts[1:] + ts[:1], strict=True):
                a, b = library.vertices[s, t, side], library.vertices[s, after, side]
                low = (a[:, 2] < 0.022) & (b[:, 2] < 0.022)
                if low.any():
                    moved = np.median(b[low, :2] - a[low, :2], axis=0)
                    slip.append(np.linalg.norm(moved - direction * step))
    assert len(slip) > 10
    assert np.median(slip) < 0.10 * step
    assert np.quantile(slip, 0.9) < 0.35 * step


def test_strides_are_those_of_people(library):
    """At textbook cadences (from memory: walk 0.95, jog 1.35, run 1.7-2.1 cycles/s) speeds come out right."""
    for action, cadence, low, high in (
        ("walk", 0.95, 1.2, 1.8),
        ("jog", 1.35, 2.7, 4.0),
        ("run", 2.0, 5.5, 7.5),
    ):
        assert low < library.clips[action].stride_yd * cadence * (1.0 if action == "run" else YARD_M) < high


def test_men_face_plus_x_with_left_at_plus_y(library):
    helmet, mask = part(library, "helmet"), part(library, "facemask")
    front, back = part(library, "jersey_front"), part(library, "jersey_back")
    for shape in PLAYERS:
        for action in ("stand", "walk", "jog", "run", "backpedal", "crouch", "stance2", "pass_set"):
            v = library.body(shape, action, 0.3)
            assert v[mask, 0].mean() > v[helmet, 0].mean() + 0.08
            assert v[front, 0].mean() > v[back, 0].mean()
    # throw and carry are right-handed; with outward faces (above) the body cannot be a mirror image
    throw = library.hands[2, frames(library, "throw")]
    assert throw[:, 1, 2].max() > throw[:, 0, 2].max() + 0.1
    stand = library.hands[:, library.clips["stand"].first_frame]
    assert (stand[:, 0, 1] > 0.15).all() and (stand[:, 1, 1] < -0.15).all()


@pytest.mark.parametrize(
    ("action", "more"), [("jog", 0.05), ("run", 0.12), ("crouch", 0.12), ("stance3", 0.35)]
)
def test_the_body_leans_forward(library, action, more):
    helmet, belt = part(library, "helmet"), part(library, "belt")
    v = library.vertices[2, frames(library, action)]
    assert (v[:, helmet, 0].mean(1) - v[:, belt, 0].mean(1) > more).all()


def test_knees_bend_forward(library):
    """In every upright bent-leg clip the front of the knee is ahead of the line from hip to ankle."""
    pants, sock = part(library, "pants"), part(library, "sock")
    stand = library.vertices[2, library.clips["stand"].first_frame]
    for sign in (1, -1):
        knee = pants[(stand[pants, 1] * sign > 0) & (stand[pants, 2] < stand[sock, 2].max() + 0.04)]
        ankle = sock[(stand[sock, 1] * sign > 0) & (stand[sock, 2] < stand[sock, 2].min() + 0.05)]
        hip = pants[(stand[pants, 1] * sign > 0) & (stand[pants, 2] > stand[pants, 2].max() - 0.08)]
        for action in ("crouch", "stance2", "stance3", "pass_set", "backpedal", "run", "jog", "walk", "sit"):
            for t in frames(library, action):
                h, k, a = (library.vertices[2, t, group].mean(0) for group in (hip, knee, ankle))
                along = (k - h) @ (a - h) / ((a - h) @ (a - h))
                assert (k - (h + along * (a - h)))[0] > -0.03


def test_skin_is_not_torn(library):
    """No edge of the mesh grows beyond 2.5 times its length in the stand plus 8 cm, in any pose."""
    edges = np.unique(
        np.sort(library.faces.astype(int)[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1), axis=0
    )
    for s in range(len(library.shapes)):
        v = library.vertices[s]
        length = np.linalg.norm(v[:, edges[:, 0]] - v[:, edges[:, 1]], axis=-1)
        rest = length[library.clips["stand"].first_frame]
        assert (length < 2.5 * rest + 0.0875).all()


def test_cycles_close_and_move_smoothly(library):
    for action, clip in library.clips.items():
        if clip.n_frames < 6 or action in VARIANTS:
            continue
        v = library.vertices[2, frames(library, action)]
        jump = np.linalg.norm(np.diff(v, axis=0), axis=-1).mean(1)
        if clip.cyclic:
            closing = np.linalg.norm(v[0] - v[-1], axis=-1).mean()
            assert closing < 1.5 * jump.max() + 1e-3
        assert jump.max() < 0.35


def test_gear_is_worn_by_those_who_wear_it(library):
    for s, shape in enumerate(library.shapes):
        v = library.vertices[s, library.clips["stand"].first_frame]
        for p, name in enumerate(library.part_names):
            extent = np.ptp(v[library.part == p], axis=0).max()
            assert (extent > 0.02) == bool(library.wears[s, p]), (shape, name)
        assert library.wears[s, library.part_names.index("helmet")] == (shape in PLAYERS)


def test_a_chest_number_reads_left_to_right(library):
    """Seen from the front u grows toward the man's left, from behind toward his right; v grows upward."""
    v = library.vertices[2, library.clips["stand"].first_frame]
    for name, sign in (("jersey_front", 1), ("jersey_back", -1)):
        k = part(library, name)
        assert np.corrcoef(library.uv[k, 0], v[k, 1])[0, 1] * sign > 0.98
        assert np.corrcoef(library.uv[k, 1], v[k, 2])[0, 1] > 0.98


def test_stripes_do_not_wrap(library):
    """No face of a limb spans more than half of u: a stripe painted at u = 0.5 stays on the outside."""
    limbs = library.part_mask("sleeve", "forearm", "pants", "sock")[library.faces[:, 0]]
    u = library.uv[library.faces[limbs].astype(int), 0]
    assert (np.ptp(u, axis=1) < 0.55).mean() > 0.99
    v = library.vertices[2, library.clips["stand"].first_frame]
    for sign in (1, -1):
        leg = part(library, "pants")
        leg = leg[v[leg, 1] * sign > 0]
        stripe = np.abs(library.uv[leg, 0] - 0.5) < 0.06
        assert (np.abs(v[leg[stripe], 1])).mean() > np.abs(v[leg, 1]).mean() + 0.03


def test_normals_point_outward(library):
    n = library.normals[2, library.clips["stand"].first_frame].astype(float) / 127
    front, back = part(library, "jersey_front"), part(library, "jersey_back")
    assert n[front, 0].mean() > 0.4 and n[back, 0].mean() < -0.4
    length = np.linalg.norm(n, axis=1)
    assert np.median(length) == pytest.approx(1, abs=0.02)


def test_phase_to_frames(library):
    run, throw = library.clips["run"], library.clips["throw"]
    assert library.frame_index("run", 0.0) == library.frame_index("run", 1.0) == run.first_frame
    assert library.frame_index("throw", 1.0) == throw.first_frame + throw.n_frames - 1
    assert library.frame_index("throw", 7.0) == library.frame_index("throw", 1.0)
    wrap = library.pose("run", 1 - 0.25 / run.n_frames)
    assert (wrap.first, wrap.second) == (run.first_frame + run.n_frames - 1, run.first_frame)
    assert wrap.weight == pytest.approx(0.75)
    exact = library.body("skill", "run", 3 / run.n_frames)
    np.testing.assert_allclose(exact, library.vertices[2, run.first_frame + 3], atol=1e-5)
    assert library.pose("pile", 0.5).weight == 0.0


def test_errors_say_what_there_is(library, tmp_path):
    with pytest.raises(KeyError, match="stance3"):
        library.frame_index("moonwalk", 0)
    with pytest.raises(KeyError, match="lineman"):
        library.shape_index("giant")
    with pytest.raises(KeyError, match="helmet"):
        library.part_mask("crown")
    with pytest.raises(FileNotFoundError, match="make_people"):
        PeopleLibrary.load(tmp_path / "none.npz")
    np.savez(tmp_path / "bad.npz", faces=np.zeros((1, 3)))
    with pytest.raises(ValueError, match="lacks"):
        PeopleLibrary.load(tmp_path / "bad.npz")
