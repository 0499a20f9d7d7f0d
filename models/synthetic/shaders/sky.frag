in vec2 v_ndc;
layout(location = 0) out vec4 o_col;
uniform mat3 u_rot;          // columns: camera right, down, forward in field axes
uniform vec2 u_tan;          // half-width and half-height tangents of the wide picture
uniform vec3 u_top, u_low, u_tree;   // linear
uniform vec4 u_land;         // tree height rad, building share, seed, night
void main() {
  vec3 d = normalize(u_rot * vec3(v_ndc.x * u_tan.x, -v_ndc.y * u_tan.y, 1.0));
  float el = asin(clamp(d.z, -1.0, 1.0)), az = atan(d.x, d.y);
  vec3 col = mix(u_low, u_top, clamp(el * 2.2, 0.0, 1.0));
  float cl = texture(u_noise, vec2(az * 0.4, el * 1.3) + u_land.z)[0] * 0.6 + texture(u_noise, vec2(az, el * 3.0))[1] * 0.4;
  col = mix(col, u_low * 1.05, smoothstep(0.5, 0.8, cl) * 0.6 * (1.0 - u_land.w));
  float t1 = texture(u_noise, vec2(az * 0.9 + u_land.z, 0.13))[0], t2 = texture(u_noise, vec2(az * 6.0, 0.71 + u_land.z))[1];
  float line = u_land.x * (0.35 + 0.9 * t1 + 0.35 * t2);
  vec3 tree = u_tree * (0.6 + 0.9 * texture(u_noise, vec2(az * 14.0, el * 30.0))[2]);
  if (el < line) col = mix(tree, u_low * 0.7, 0.15) * (u_land.w > 0.5 ? 0.05 : 0.55);
  float b = floor(az * 26.0 + u_land.z * 10.0);
  float hb = fract(sin(b * 12.99 + u_land.z) * 43758.5);
  if (hb < u_land.y * 0.6 && el < 0.015 + 0.06 * fract(hb * 17.3)) {
    vec3 wall = mix(vec3(0.5, 0.45, 0.4), vec3(0.3, 0.32, 0.36), fract(hb * 91.0));
    vec2 g = fract(vec2(az * 26.0 * 9.0, el * 190.0));
    float win = step(0.35, g.x) * step(0.45, g.y);
    col = wall * mix(1.0, 0.45, win) * (u_land.w > 0.5 ? 0.05 : 0.5);
    if (u_land.w > 0.5 && win > 0.5 && fract(sin(floor(az * 234.0) * 7.1 + floor(el * 190.0) * 3.3) * 991.0) > 0.75) col = vec3(0.9, 0.7, 0.4);
  }
  o_col = vec4(col, 1.0);
}
