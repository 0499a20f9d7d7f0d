in vec3 v_pos;
in vec3 v_nrm;
in vec3 v_col;
in vec3 v_uv;
layout(location = 0) out vec4 o_col;
uniform sampler2D u_crowd;
uniform float u_stand_light;
void main() {
  vec3 col = lin(v_col);
  float alpha = 1.0;
  vec3 n = normalize(v_nrm);
  if (v_uv.z > 0.5 && v_uv.z < 1.5) {
    vec3 c = texture(u_crowd, v_uv.xy).rgb;
    col = lin(c) * (0.7 + 0.6 * texture(u_noise, v_uv.xy * 0.37)[0]);
  }
  float st = stadium_shade(v_pos.xy);
  vec3 light = mix(u_amb_ground, u_amb_sky, n.z * 0.5 + 0.5);
  for (int i = 0; i < LIGHTS; i++) light += u_lcol[i] * max(dot(n, u_ldir[i]), 0.05) * st;
  light *= u_stand_light;
  vec3 o = col * light * (0.85 + 0.3 * texture(u_noise, (v_pos.xy + v_pos.zz) / 6.3)[1]);
  if (v_uv.z > 1.5 && v_uv.z < 2.5) o = lin(v_col) * 6.0;
  if (v_uv.z > 2.5) {                                     // chain-link or net: thin, mostly seen through
    vec2 g = abs(fract(v_uv.xy) - 0.5);
    float w = max(fwidth(v_uv.x), fwidth(v_uv.y));
    float wire = smoothstep(0.5 - max(0.06, w), 0.5, max(g.x, g.y));
    alpha = mix(wire, 0.16, clamp(w * 2.0, 0.0, 1.0));
  }
  o_col = vec4(hazed(o, v_pos), alpha);
}
