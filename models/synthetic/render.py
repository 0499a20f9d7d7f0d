"""Draws one exposure of a game on a GPU or on Mesa: moderngl, standalone EGL context, no window.

A picture is drawn wide and undistorted (``MARGIN`` times the picture's angle), then one pass applies the
lens,
the shutter (rotation of the camera while it is open), light and tone. A second, half-size pass writes
who is at
each pixel; a third draws every man alone into a small cell, which gives the area he would cover unhidden.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import moderngl
import numpy as np

from models.synthetic.drawn_people import ATLAS_COLUMNS, ATLAS_ROWS, CELL, MAX_FIGURES, DrawnPeople
from models.synthetic.field_paint import paint_field
from models.synthetic.figures import (
    MARGIN,
    PROP_ID,
    Exposure,
    Figures,
    body_boxes,
    digit_layers,
    distort_ids,
    ground_mesh,
    ground_noise,
    near_view,
    noise_texture,
    seen_part,
    shutter_move,
    spread,
)
from models.synthetic.lens import ViewCamera
from models.synthetic.look_uniforms import (
    automatic_gain,
    ground_uniforms,
    light_arrays,
    shader_constants,
    shared_uniforms,
    sky_uniforms,
)
from models.synthetic.looks import Look
from models.synthetic.people import PeopleLibrary
from models.synthetic.scene import Props, crowd_texture

SHADERS = Path(__file__).with_name("shaders")
PROP_LAYOUT, PROP_FIELDS = "3f 3f 3f 3f", ("in_pos", "in_nrm", "in_col", "in_uv")
FAR_PX = 90  # median height of the men below which a CPU draws them of fewer faces


class Renderer:
    """Holds the GL context. ``set_game`` loads a look; ``draw`` makes one exposure."""

    def __init__(
        self, library: PeopleLibrary, samples: int = 4, scale: float = 1.0, anisotropy: float = 16.0
    ) -> None:
        # machines with several GPUs: processes spread over the first RENDER_GPUS of them
        gpu = os.getpid() % max(1, int(os.environ.get("RENDER_GPUS", "1")))
        self.ctx: Any = moderngl.create_context(standalone=True, backend="egl", device_index=gpu)  # type: ignore[arg-type]
        self.ctx.gc_mode = "auto"
        self.samples, self.scale, self.anisotropy = samples, scale, anisotropy
        self.on_cpu = "llvmpipe" in str(self.ctx.info["GL_RENDERER"])
        make = self._program
        self.p_ground, self.p_sky = make("ground.vert", "ground.frag"), make("full.vert", "sky.frag")
        self.p_person, self.p_flat = make("person.vert", "person.frag"), make("person.vert", "flat.frag")
        self.p_ident, self.p_prop = make("person.vert", "ident.frag"), make("prop.vert", "prop.frag")
        self.p_prop_id, self.p_post = make("ground.vert", "prop_id.frag"), make("full.vert", "post.frag")
        self.p_disc, self.p_glow = make("disc.vert", "disc.frag"), make("full.vert", "glow.frag")
        self.size: tuple[int, int] | None = None
        self.multi: Any = None  # framebuffers and textures, made when the picture's size is known
        self.scene: Any = None
        self.shadow: Any = None
        self.ident: Any = None
        self.glow: Any = None
        self.final: Any = None
        self.crowd: Any = None
        self.people = self._people(library)
        self.noise = self._texture(noise_texture())
        self.coarse, self.fine = (self._texture(image) for image in ground_noise())
        digits = digit_layers()
        self.digits = self.ctx.texture_array(
            (digits.shape[2], digits.shape[1], len(digits)), 2, digits.tobytes()
        )
        self.digits.build_mipmaps()
        self.quad = self.ctx.buffer(np.array([-1, -1, 3, -1, -1, 3], "f4").tobytes())
        self.v_sky = self.ctx.vertex_array(self.p_sky, [(self.quad, "2f", "in_pos")])
        self.v_post = self.ctx.vertex_array(self.p_post, [(self.quad, "2f", "in_pos")])
        self.v_glow = self.ctx.vertex_array(self.p_glow, [(self.quad, "2f", "in_pos")])
        self.paints: list[Any] = []  # on a CPU one for looks across the field, one for looks along it
        self.atlas = self.ctx.framebuffer(
            [self.ctx.texture((CELL[0] * ATLAS_COLUMNS, CELL[1] * ATLAS_ROWS), 1)]
        )
        self.v_props: Any = None
        self.extras: list[Any] = []

    def _program(self, vertex: str, fragment: str, constants: Mapping[str, str] | None = None) -> Any:
        """The program of two shader files; ``constants``: what of a look it may take as fixed."""
        read = lambda name: (SHADERS / name).read_text()  # noqa: E731
        fixed = "".join(f"#define {k} {v}\n" for k, v in (constants or {}).items())
        return self.ctx.program(
            vertex_shader="#version 330\n" + read(vertex),
            fragment_shader="#version 330\n" + fixed + read("common.glsl") + read(fragment),
        )

    def _texture(self, image: np.ndarray, repeat: bool = True, aniso: float = 1.0) -> moderngl.Texture:
        t = self.ctx.texture(
            (image.shape[1], image.shape[0]), image.shape[2], np.ascontiguousarray(image).tobytes()
        )
        t.repeat_x = t.repeat_y = repeat
        t.build_mipmaps()
        t.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        t.anisotropy = aniso
        return t

    def set_people(self, library: PeopleLibrary) -> None:
        """Draw these people from now on (``set_game`` comes after)."""
        if library is not self.lib:
            self.people.release()
            self.people = self._people(library)

    @property
    def lib(self) -> PeopleLibrary:
        """The people drawn."""
        return self.people.lib

    def _people(self, library: PeopleLibrary) -> DrawnPeople:
        return DrawnPeople(self.ctx, library, self.p_person, self.p_flat, self.p_ident, self.p_disc)

    def _resize(self, width: int, height: int) -> None:
        if self.size == (width, height):
            return
        if self.size is not None:
            for fbo in (self.multi, self.scene, self.shadow, self.ident, self.glow, self.final):
                fbo.release()
        self.size = (width, height)
        ctx, w, h = self.ctx, int(width * MARGIN * self.scale), int(height * MARGIN * self.scale)
        self.wide = (w, h)
        floats = "f4" if self.on_cpu else "f2"  # a CPU unpacks half floats at a cost
        self.scene_tex = ctx.texture((w, h), 4, dtype=floats)
        self.scene_tex.repeat_x = self.scene_tex.repeat_y = False
        self.scene_tex.filter = (moderngl.LINEAR, moderngl.LINEAR)
        self.scene = ctx.framebuffer([self.scene_tex], ctx.depth_renderbuffer((w, h)))
        self.multi = (
            self.scene
            if self.samples == 0
            else ctx.framebuffer(
                [ctx.renderbuffer((w, h), 4, samples=self.samples, dtype=floats)],
                ctx.depth_renderbuffer((w, h), samples=self.samples),
            )
        )
        half = (max(w // 2, 1), max(h // 2, 1))
        self.shadow_tex = ctx.texture(half, 4)
        self.shadow = ctx.framebuffer([self.shadow_tex])
        self.ident = ctx.framebuffer([ctx.texture(half, 1, dtype="u2")], ctx.depth_renderbuffer(half))
        self.glow_tex = ctx.texture((max(w // 8, 1), max(h // 8, 1)), 4, dtype=floats)
        self.glow_tex.repeat_x = self.glow_tex.repeat_y = False
        self.glow = ctx.framebuffer([self.glow_tex])
        self.final = ctx.framebuffer([ctx.renderbuffer((width, height), 3)])

    @staticmethod
    def _set(program: Any, **values: Any) -> None:
        for name, value in values.items():
            if name in program:
                u = program[name]
                if isinstance(value, np.ndarray):
                    room = u.dimension * u.array_length  # a compiler drops lights that are never lit
                    u.write(np.ascontiguousarray(value, "f4").ravel()[:room].tobytes())
                else:
                    u.value = value

    def set_game(self, look: Look, props: Props, ppy: float = 30.0) -> dict[str, Any]:
        """Load a look; returns what was painted (mark truth)."""
        tex, extent, drawn = paint_field(look.field, ppy)
        for old in (*self.paints, self.crowd):
            if old is not None:
                old.release()
        self.paints = [self._texture(tex, repeat=False, aniso=1.0 if self.on_cpu else self.anisotropy)]
        if self.on_cpu:  # instead of an anisotropic filter: half as fine along the line of sight
            h, w = tex.shape[:2]
            half = [
                cv2.resize(tex, size, interpolation=cv2.INTER_AREA) for size in ((w, h // 2), (w // 2, h))
            ]
            self.paints[0].release()
            self.paints = [self._texture(image, repeat=False) for image in half]
        self.crowd = self._texture(crowd_texture(look))
        self.look = look
        if self.on_cpu:
            self._specialise(look)
        ground = ground_mesh(look.field.standard, look.field.crown_yd)
        vbo = self.ctx.buffer(ground.astype("f4").tobytes())
        self.v_ground = self.ctx.vertex_array(self.p_ground, [(vbo, "3f", "in_pos")])
        self.v_props = self.v_props_id = self.v_mesh = None
        if len(props.solid):
            b = self.ctx.buffer(props.solid.astype("f4").tobytes())
            self.v_props = self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)])
            self.v_props_id = self.ctx.vertex_array(self.p_prop_id, [(b, "3f 36x", "in_pos")])
        if len(props.mesh):
            b = self.ctx.buffer(props.mesh.astype("f4").tobytes())
            self.v_mesh = self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)])
        self.light_dirs, self.n_lights = light_arrays(look)[0], len(look.light.directions)
        self.gain = automatic_gain(look)
        shared = shared_uniforms(look)
        for p in (self.p_ground, self.p_person, self.p_prop, self.p_sky, self.p_flat, self.p_ident):
            self._set(p, u_scale=float(self.lib.scale_yd), **shared)
        usual = {"flat": 0.0, "levels": 0, "stripes": 1.0}
        plain = tuple(float(look.extra.get(name, value)) for name, value in usual.items())
        panel = tuple(self.lib.panel_yd)
        self._set(self.p_person, u_codes=self.people.codes, u_panel=panel, u_plain=plain)
        self._set(self.p_ground, u_extent=extent, **ground_uniforms(look))
        self._set(self.p_prop, u_stand_light=0.35 if look.light.night else 1.0)
        self._set(self.p_sky, **sky_uniforms(look))
        return drawn

    def _specialise(self, look: Look) -> None:
        """Programs for this look alone: a CPU works through both sides of every branch."""
        self.p_ground.release()
        self.p_post.release()
        fixed = shader_constants(look)
        self.p_ground = self._program("ground.vert", "ground.frag", fixed)
        self.p_post = self._program("full.vert", "post.frag", fixed)
        self.v_post = self.ctx.vertex_array(self.p_post, [(self.quad, "2f", "in_pos")])

    def draw(
        self,
        cam: ViewCamera,
        figures: Figures,
        cam_next: ViewCamera | None = None,
        extras: Sequence[tuple[np.ndarray, int]] = (),
    ) -> Exposure:
        """One exposure; ``cam_next`` is the camera as the shutter closes (motion blur of pan and zoom).

        ``extras``: moving things (rows as in :class:`Props`) each with the id (over 65000) to mark its
        pixels.
        """
        self._resize(cam.width_px, cam.height_px)
        everyone, later = len(figures), cam_next or cam
        keep = np.nonzero(near_view(cam, figures))[0][:MAX_FIGURES]
        figures = Figures(figures.place[keep], figures.pose[keep], figures.look[keep], figures.palette[keep])
        n = len(keep)
        boxes = body_boxes(self.lib, cam, figures)
        far = self.on_cpu and n > 0 and float(np.nanmedian(boxes[:, 3] - boxes[:, 1])) < FAR_PX
        clip = cam.clip_matrix(MARGIN)
        self.people.load(figures, boxes, cam, far)
        self._bind_common(cam, clip)
        self._load_extras(extras)
        self._shadow_pass(n)
        self._scene_pass(cam, later, n)
        ids = self._ident_pass(cam, n)
        area = self._area_pass(boxes, n)
        visible = np.bincount(ids[(ids > 0) & (ids <= n)].ravel(), minlength=n + 1)[1 : n + 1] * 4.0
        picture = self._post(cam, later)
        names = np.arange(65536, dtype=np.uint16)
        names[1 : n + 1] = keep + 1
        wide = lambda v, fill: spread(v, keep, everyone, fill)  # noqa: E731
        return Exposure(
            picture, names[ids], wide(area, 0.0), wide(np.minimum(visible, area), 0.0), wide(boxes, np.nan)
        )

    def _load_extras(self, extras: Sequence[tuple[np.ndarray, int]]) -> None:
        for item in self.extras:
            for part in item[:3]:
                part.release()
        self.extras = []
        for rows, ident in extras:
            if len(rows):
                b = self.ctx.buffer(np.ascontiguousarray(rows, "f4").tobytes())
                self.extras.append(
                    (
                        self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)]),
                        self.ctx.vertex_array(self.p_prop_id, [(b, "3f 36x", "in_pos")]),
                        b,
                        ident,
                    )
                )

    def _bind_common(self, cam: ViewCamera, clip: np.ndarray) -> None:
        along = abs(math.sin(math.radians(cam.pan_deg))) > 0.7
        for slot, tex in enumerate(
            (
                self.noise,
                self.paints[-1 if along else 0],
                self.shadow_tex,
                self.people.palette,
                self.digits,
                self.people.vertices,
                self.people.normals,
                self.crowd,
                self.coarse,
                self.fine,
            )
        ):
            tex.use(slot)
        drawn = (
            self.p_ground,
            self.p_person,
            self.p_flat,
            self.p_ident,
            self.p_prop,
            self.p_prop_id,
            self.p_disc,
        )
        for p in drawn:
            self._set(p, u_clip=clip.T, u_eye=tuple(cam.centre))
        light = self.look.light
        soft = light.softness_px * cam.focal_px / 1500.0
        w, h = self.wide
        self._set(self.p_ground, u_shadow_par=(1.0 / w, 1.0 / h, soft, light.contact))

    def _shadow_pass(self, n: int) -> None:
        ctx = self.ctx
        self.shadow.use()
        self.shadow.color_mask = (True, True, True, True)
        self.shadow.clear()
        ctx.disable(moderngl.DEPTH_TEST)
        if n == 0:
            return
        ctx.enable(moderngl.CULL_FACE)
        for i in range(self.n_lights):
            self.shadow.color_mask = tuple(j == i for j in range(4))
            self._set(self.p_flat, u_mode=1, u_light=tuple(float(v) for v in self.light_dirs[i]))
            self.people.flat.render(instances=n)
        ctx.disable(moderngl.CULL_FACE)
        self.shadow.color_mask = (False, False, False, True)
        self.people.disc.render(instances=n)
        self.shadow.color_mask = (True, True, True, True)

    def _scene_pass(self, cam: ViewCamera, later: ViewCamera, n: int) -> None:
        ctx = self.ctx
        self.multi.use()
        if self.on_cpu:
            self.multi.scissor = seen_part(cam, shutter_move(cam, later), self.wide)
        self.multi.clear(depth=1.0)
        ctx.enable(moderngl.DEPTH_TEST)
        self._set(self.p_person, u_mode=0)
        if n:
            ctx.enable(moderngl.CULL_FACE)  # bodies are closed, in every pass
            self.people.person.render(instances=n)
            ctx.disable(moderngl.CULL_FACE)
        for item in self.extras:
            item[0].render()
        if self.v_props is not None:
            self.v_props.render()
        self.v_ground.render()  # nearest things first: the costly ground shader then runs only where it shows
        t = 0.5 * MARGIN / cam.focal_px
        self._set(self.p_sky, u_rot=cam.rotation().astype("f4"), u_tan=(cam.width_px * t, cam.height_px * t))
        self.v_sky.render()
        if self.v_mesh is not None:
            ctx.enable(moderngl.BLEND)
            self.v_mesh.render()
            ctx.disable(moderngl.BLEND)
        if self.multi is not self.scene:
            ctx.copy_framebuffer(self.scene, self.multi)
        if self.look.picture.bloom > 0:
            self.scene_tex.build_mipmaps(0, 6)
            self.glow.use()
            ctx.disable(moderngl.DEPTH_TEST)
            self.scene_tex.use(0)
            self.scene_tex.filter = (moderngl.LINEAR_MIPMAP_NEAREST, moderngl.LINEAR)
            self.p_glow["u_scene"].value = 0
            self.v_glow.render()
            self.scene_tex.filter = (moderngl.LINEAR, moderngl.LINEAR)

    def _ident_pass(self, cam: ViewCamera, n: int) -> np.ndarray:
        self.ident.use()
        self.ident.clear(depth=1.0)
        self.ctx.enable(moderngl.DEPTH_TEST)
        if self.v_props_id is not None:
            self._set(self.p_prop_id, u_id=PROP_ID)
            self.v_props_id.render()
        for item in self.extras:
            self._set(self.p_prop_id, u_id=item[3])
            item[1].render()
        if n:
            self._set(self.p_ident, u_mode=0)
            self.ctx.enable(moderngl.CULL_FACE)
            self.people.ident.render(instances=n)
            self.ctx.disable(moderngl.CULL_FACE)
        w, h = self.ident.size
        raw = np.frombuffer(self.ident.read(components=1, dtype="u2", alignment=1), np.uint16).reshape(h, w)[
            ::-1
        ]
        return distort_ids(raw, cam)

    def _area_pass(self, boxes: np.ndarray, n: int) -> np.ndarray:
        self.atlas.use()
        self.atlas.clear()
        if n == 0:
            return np.zeros(0)
        self.ctx.disable(moderngl.DEPTH_TEST)
        self._set(self.p_flat, u_mode=3)
        self.ctx.enable(moderngl.CULL_FACE)
        self.people.flat.render(instances=n)
        self.ctx.disable(moderngl.CULL_FACE)
        rows = -(-n // ATLAS_COLUMNS)
        view = (0, 0, self.atlas.size[0], rows * CELL[1])
        raw = np.frombuffer(self.atlas.read(view, components=1, alignment=1), np.uint8)
        filled = (raw > 127).view(np.uint8).reshape(rows * CELL[1], ATLAS_COLUMNS, CELL[0]).sum(2, np.uint16)
        share = filled.reshape(rows, CELL[1], -1).sum(1).reshape(-1)[:n] / float(CELL[0] * CELL[1])
        b = np.nan_to_num(boxes[:n], nan=0.0)
        return share * np.maximum(b[:, 2] - b[:, 0], 0) * np.maximum(b[:, 3] - b[:, 1], 0)

    def _post(self, cam: ViewCamera, later: ViewCamera) -> np.ndarray:
        pic = self.look.picture
        move = shutter_move(cam, later)
        corner = np.array([[0, 0, 1.0], [0.5 * cam.width_px / cam.focal_px, 0, 1.0]])
        moved = corner @ move.T
        shift = np.abs(moved[:, :2] / moved[:, 2:] - corner[:, :2]).max() * cam.focal_px
        self.final.use()
        self.ctx.disable(moderngl.DEPTH_TEST)
        self.scene_tex.use(0)
        self.glow_tex.use(1)
        self._set(
            self.p_post,
            u_scene=0,
            u_glow=1,
            u_size=(float(cam.width_px), float(cam.height_px)),
            u_focal=cam.focal_px,
            u_k1=cam.k1,
            u_margin=MARGIN,
            u_move=move.T.astype("f4"),
            u_steps=int(np.clip(np.ceil(shift), 1, 16)),
            u_exposure=pic.exposure * self.gain,
            u_contrast=pic.contrast,
            u_saturation=pic.saturation,
            u_gamma=pic.gamma,
            u_vignette=pic.vignette,
            u_bloom=pic.bloom,
            u_white=tuple(pic.white_balance),
        )
        self.v_post.render()
        raw = np.frombuffer(self.final.read(components=3, alignment=1), np.uint8)
        return cv2.cvtColor(raw.reshape(cam.height_px, cam.width_px, 3)[::-1], cv2.COLOR_RGB2BGR)
