in vec2 v_ndc;
layout(location = 0) out vec4 o_col;
uniform sampler2D u_scene, u_glow;
uniform vec2 u_size;         // output pixels
uniform float u_focal, u_k1, u_margin;
uniform mat3 u_move;         // turns a camera ray at the shutter's opening into the ray at its closing
uniform int u_steps;
uniform float u_exposure, u_contrast, u_saturation, u_gamma, u_vignette, u_bloom;
uniform vec3 u_white;
vec2 look_up(vec3 ray) {     // scene texture coordinate of an undistorted camera ray (x right, y down)
  vec2 n = ray.xy / ray.z * u_focal / (0.5 * u_size * u_margin);
  return vec2(0.5 + 0.5 * n.x, 0.5 - 0.5 * n.y);
}
void main() {
  vec2 px = vec2(0.5 + 0.5 * v_ndc.x, 0.5 - 0.5 * v_ndc.y) * u_size - 0.5;   // pixel centres, y down
  vec2 d = (px - 0.5 * (u_size - 1.0)) / u_focal;
  vec2 u = d * (1.0 - u_k1 * dot(d, d));
  for (int i = 0; i < 3; i++) u = d / (1.0 + u_k1 * dot(u, u));
  vec3 ray = vec3(u, 1.0), ray1 = u_move * ray;
  vec3 c = vec3(0.0);
  for (int i = 0; i < u_steps; i++) {
    float t = (float(i) + 0.5) / float(u_steps) - 0.5;
    c += texture(u_scene, look_up(mix(ray, ray1, t))).rgb;
  }
  c /= float(u_steps);
  vec2 uv = look_up(ray);
  if (BLOOM) {
    vec3 b = texture(u_glow, uv).rgb;   // the scene out of focus
    c += u_bloom * max(b - 0.8, 0.0);
  }
  c *= u_exposure * u_white * (1.0 - u_vignette * dot(v_ndc, v_ndc) * 0.5);
  float l = dot(c, vec3(0.2126, 0.7152, 0.0722));
  c = max(mix(vec3(l), c, u_saturation), 0.0);
  c = c * (1.0 + c * 0.12) / (1.0 + c * 0.45);            // soft shoulder
  c = pow(c, vec3(1.0 / (2.2 * u_gamma)));
  c = (c - 0.42) * u_contrast + 0.42;
  o_col = vec4(clamp(c, 0.0, 1.0), 1.0);
}
