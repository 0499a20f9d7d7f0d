in vec3 v_pos;
in vec3 v_nrm;
in vec2 v_uv;
flat in int v_part;
flat in vec4 v_info;
layout(location = 0) out vec4 o_col;
uniform sampler2D u_palette;   // (24, people), linear: parts 0..15, 16 number, 17 outline, 18 second, 19 pants stripe,
                               // 20 helmet stripe, 21 sock stripe, 22 shirt stripe
uniform sampler2DArray u_digits; // layers 0..9 per style
uniform int u_codes[6];        // part codes: jersey_front jersey_back sleeve pants sock helmet
uniform vec2 u_panel;          // width, height of the jersey panel in yards
uniform vec3 u_plain;          // share of flat paint 0..1, steps of the shading (0: smooth), officials' stripes
                               // for every usual one

vec3 pal(int k) { return texelFetch(u_palette, ivec2(k, int(v_info.x)), 0).rgb; }
vec2 digit(vec2 uv, int d, int style) { return texture(u_digits, vec3(uv, float(style * 10 + d))).rg; }
void main() {
  vec3 col = pal(v_part);
  int pattern = int(v_info.z);
  vec2 uv = v_uv;
  bool jersey = v_part == u_codes[0] || v_part == u_codes[1];
  if ((pattern & 1) != 0 && (jersey || v_part == u_codes[2])) {       // official's vertical stripes
    bool across = (pattern & 128) != 0;                               // drawn level by toys only
    float u = (across ? uv.y : uv.x) * (v_part == u_codes[2] ? 3.0 : (across ? 5.0 : 4.5)) * u_plain.z;
    float w = fwidth(u);
    float s = smoothstep(0.5 - w, 0.5 + w, abs(fract(u) - 0.5) * 2.0);
    col = mix(mix(col, pal(22), s), mix(col, pal(22), 0.5), clamp(w * 1.4 - 0.4, 0.0, 1.0));
  }
  if (jersey && v_info.y >= 0.0) {
    int num = int(v_info.y), style = pattern >> 8;
    vec2 yd = (uv - vec2(0.5, v_part == u_codes[0] ? 0.60 : 0.55)) * u_panel;
    float h = v_part == u_codes[0] ? 0.25 : 0.30, w = h * 0.62;
    vec2 hit = vec2(0.0);
    if (abs(yd.y) < h * 0.56) {
      float v = 0.5 - yd.y / (h * 1.12);
      if (num < 10) { float u = yd.x / (w * 1.1) + 0.5; if (u > 0.0 && u < 1.0) hit = digit(vec2(u, v), num, style); }
      else {
        float u = yd.x / (w * 1.04);
        if (u > -1.0 && u < 0.0) hit = digit(vec2(u + 1.0, v), num / 10, style);
        else if (u >= 0.0 && u < 1.0) hit = digit(vec2(u, v), num % 10, style);
      }
    }
    col = mix(col, pal(17), hit.g);
    col = mix(col, pal(16), hit.r);
  }
  if (v_part == u_codes[2] && (pattern & 2) != 0) {                   // sleeve bands
    float k = fract(uv.y * 3.0); if (uv.y > 0.35 && k > 0.45) col = pal(18);
  }
  if (v_part == u_codes[3] && (pattern & 4) != 0 && abs(uv.x - 0.5) < 0.06) col = pal(19);
  if (v_part == u_codes[4] && (pattern & 8) != 0 && fract(uv.y * 4.0) > 0.5) col = pal(21);
  if (v_part == u_codes[5] && (pattern & 16) != 0 && abs(uv.x - 0.5) < 0.07) col = pal(20);
  if ((pattern & 32) != 0 && jersey && uv.y > 0.8) col = pal(18);     // yoke
  if ((pattern & 64) != 0 && jersey && abs(uv.x - 0.5) > 0.42) col = pal(18); // side panels
  float grime = texture(u_noise, v_uv * 0.9 + v_info.w * 0.13)[1];
  col *= mix(0.86 + 0.24 * grime, 0.98, u_plain.x);
  vec3 n = normalize(v_nrm);
  float st = stadium_shade(v_pos.xy);
  float up = n.z * 0.5 + 0.5;
  vec3 light = mix(u_amb_ground * 0.9, u_amb_sky, up) * (0.75 + 0.25 * up);
  for (int i = 0; i < LIGHTS; i++) {
    float k = dot(n, u_ldir[i]);
    light += u_lcol[i] * st * (0.9 * max(k, 0.0) + 0.06 * (0.5 + 0.5 * k));
    if (v_part == u_codes[5]) {                                       // shiny shell
      vec3 hv = normalize(u_ldir[i] + normalize(u_eye - v_pos));
      light += u_lcol[i] * st * 0.7 * pow(max(dot(n, hv), 0.0), 40.0);
    }
  }
  light *= 0.8 + 0.2 * clamp((v_pos.z + 0.1) / 0.8, 0.0, 1.0);
  if (u_plain.y > 0.0) light = (floor(light * u_plain.y) + 0.5) / u_plain.y;
  vec3 even = u_amb_sky;
  for (int i = 0; i < LIGHTS; i++) even += u_lcol[i] * 0.5;
  light = mix(light, even, u_plain.x);
  o_col = vec4(hazed(col * light, v_pos), 1.0);
}
