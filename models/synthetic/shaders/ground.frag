in vec3 v_pos;
layout(location = 0) out vec4 o_col;
uniform sampler2D u_paint, u_coarse, u_fine;
uniform sampler2D u_shadow;
uniform vec4 u_extent;       // paint texture extent x0 y0 x1 y1
uniform vec4 u_field;        // length, width, end-zone depth, snow
uniform vec3 u_turf, u_turf2, u_apron, u_track, u_beyond, u_wearc;  // linear
uniform vec4 u_mow;          // kind, strength, grain, blotch
uniform vec4 u_wear;         // ground wear, line wear, track inner, track width
uniform vec4 u_shadow_par;   // 1/w, 1/h, softness, contact
uniform float u_night;

vec4 paint_at(vec2 uv) {
  bool inside = all(greaterThan(uv, vec2(0.0))) && all(lessThan(uv, vec2(1.0)));
  if (TAPS == 1) {
    vec4 t = texture(u_paint, uv);
    return inside ? t : vec4(0.0);
  }
  vec2 across = dFdx(uv), along = dFdy(uv) / float(TAPS);
  vec4 sum = vec4(0.0);
  for (int i = 0; inside && i < TAPS; i++) sum += textureGrad(u_paint, uv + along * (float(i) + 0.5 - 0.5 * float(TAPS)), across, along);
  return sum / float(TAPS);
}
void main() {
  vec2 p = v_pos.xy;
  float L = u_field.x, W = u_field.y, ez = u_field.z;
  vec2 coarse = texture(u_coarse, p / 31.0).rg, fine = texture(u_fine, p / 2.2).rg;
  float n1 = coarse.x, n2 = coarse.y, n3 = fine.x, n4 = fine.y;      // tiles of 31, 10.3, 2.2 and 0.55 yd
  // mowing
  float m = 0.0;
  if (MOWN == 1.0) m = step(0.5, fract(p.x / 10.0));
  else if (MOWN == 2.0) m = step(0.5, fract(p.x / 20.0));
  else if (MOWN == 3.0) m = step(0.5, fract(p.y / 8.0));
  else if (MOWN == 4.0) m = abs(step(0.5, fract(p.x / 10.0)) - step(0.5, fract(p.y / 10.0)));
  m = mix(0.5, m, u_mow.y * (0.75 + 0.25 * n2)) ;
  vec3 turf = mix(u_turf, u_turf2, m);
  vec2 c = vec2(L * 0.5, W * 0.5);
  vec2 half_size = vec2(L * 0.5 + ez, W * 0.5);
  vec2 q = abs(p - c) - half_size;
  float d = max(q.x, q.y);                       // > 0 outside the playing ground
  vec2 qr = abs(p - c) - (half_size - vec2(W * 0.35)) ;
  float dr = length(max(qr, 0.0)) + min(max(qr.x, qr.y), 0.0) - W * 0.35;
  vec3 col = turf;
  if (d > 3.0) col = mix(turf, u_apron, smoothstep(3.0, 3.2, d));
  float blotch = (n1 - 0.5) * 1.2 + (n2 - 0.5) * 0.7;
  float grass = 1.0;
  if (TRACK) {
    float t0 = u_wear.z, t1 = t0 + u_wear.w;
    if (dr > t1) { col = u_beyond; }
    else if (dr > t0) {
      grass = 0.35; col = u_track * (0.9 + 0.25 * n2);
      float lane = fract((dr - t0) / 1.22);
      float aa = fwidth(dr) / 1.22;
      float line = 1.0 - smoothstep(0.03, 0.03 + aa, min(lane, 1.0 - lane));
      col = mix(col, vec3(0.75), 0.8 * line * clamp(0.06 / max(aa, 1e-3), 0.0, 1.0));
    }
  } else if (d > u_wear.z + 8.0) col = u_beyond;
  col *= 1.0 + grass * (u_mow.w * blotch + u_mow.z * ((n3 - 0.5) * 1.0 + (n4 - 0.5) * 1.1));
  col.r *= 1.0 + grass * u_mow.w * 0.5 * (n2 - 0.5);
  // bare ground
  if (BARE && d < 3.0) {
    float mid = exp(-pow((p.y - c.y) / (W * 0.17), 2.0)) * (0.6 + 0.4 * smoothstep(45.0, 10.0, abs(p.x - c.x)));
    float bench = exp(-pow(min(abs(p.y), abs(W - p.y)) / 2.0, 2.0)) * smoothstep(35.0, 20.0, abs(p.x - c.x));
    float bare = smoothstep(0.35, 0.75, u_wear.x * (mid + 0.7 * bench) * 1.2 + (n2 - 0.5) * 0.9 + (n3 - 0.5) * 0.5 + (n1 - 0.5) * 0.4 - 0.05);
    col = mix(col, u_wearc * (0.8 + 0.4 * n3), bare * 0.85);
  }
  // paint (premultiplied in sRGB)
  float painted = 0.0;
  vec2 uv = (p - u_extent.xy) / (u_extent.zw - u_extent.xy);
  vec4 t = paint_at(uv);
  if (t.a > 0.003) {
    vec3 pc = lin(t.rgb / t.a) * (0.92 + 0.16 * n3);
    float keep = 1.0 - u_wear.y * smoothstep(0.75 - 0.5 * u_wear.y, 1.0, 0.45 * n3 + 0.35 * n2 + 0.3 * n4);
    keep *= 1.0 - 0.35 * u_wear.y * n1;
    painted = clamp(t.a * keep, 0.0, 1.0);
    col = mix(col, pc, painted);
  }
  if (SNOW) {
    float s = smoothstep(0.62 - 0.6 * u_field.w, 0.8 - 0.5 * u_field.w, 0.5 * n1 + 0.35 * n2 + 0.25 * n3);
    col = mix(col, vec3(0.82, 0.85, 0.9), s * 0.9 * (1.0 - 0.9 * painted));  // lines are swept
    if (painted > 0.0) col = mix(col, vec3(0.05, 0.12, 0.06), 0.5 * s * painted);
  }
  // light
  vec4 sh = vec4(0.0);
  vec2 suv = gl_FragCoord.xy * u_shadow_par.xy;
  float r = u_shadow_par.z;
  sh += texture(u_shadow, suv) * 0.4;
  sh += texture(u_shadow, suv + vec2(r, 0.3 * r) * u_shadow_par.xy) * 0.15;
  sh += texture(u_shadow, suv + vec2(-r, -0.3 * r) * u_shadow_par.xy) * 0.15;
  sh += texture(u_shadow, suv + vec2(0.3 * r, -r) * u_shadow_par.xy) * 0.15;
  sh += texture(u_shadow, suv + vec2(-0.3 * r, r) * u_shadow_par.xy) * 0.15;
  float st = stadium_shade(p);
  vec3 light = u_amb_sky * (1.0 - u_shadow_par.w * sh.a);
  for (int i = 0; i < LIGHTS; i++) light += u_lcol[i] * u_ldir[i].z * (1.0 - 0.95 * sh[i]) * st;
  if (NIGHT) light *= mix(1.0, 0.22, u_night * smoothstep(12.0, 60.0, d));   // floodlights reach only the ground of play
  vec3 o = col * light;
  o_col = vec4(hazed(o, v_pos), 1.0);
}
