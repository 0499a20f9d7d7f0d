// Shared by every pass: lights, haze, noise. Colours are linear here.
#ifndef LIGHTS               // a program made for one look has these as constants: what it lacks costs nothing
#define LIGHTS u_nlights
#define STADIUM (u_stadium.w > 0.0)
#define MOWN u_mow.x
#define TRACK (u_wear.w > 0.0)
#define BARE (u_wear.x > 0.0)
#define SNOW (u_field.w > 0.0)
#define NIGHT true
#define BLOOM (u_bloom > 0.0)
#define TAPS 1               // looks at the paint along the line of sight; 1: the GPU's own anisotropic filter
#endif
uniform int u_nlights;
uniform vec3 u_ldir[3];
uniform vec3 u_lcol[3];
uniform vec3 u_amb_sky;
uniform vec3 u_amb_ground;
uniform vec4 u_stadium;      // nx, ny, d, darkness (0: none)
uniform vec4 u_haze;         // rgb, density per yard
uniform vec3 u_eye;
uniform sampler2D u_noise;   // four channels of tiling noise

float stadium_shade(vec2 xy) {
  if (!STADIUM) return 1.0;
  vec2 rel = xy - vec2(50.0, 26.7);
  float along = dot(rel, vec2(-u_stadium.y, u_stadium.x));
  float edge = dot(rel, u_stadium.xy) - u_stadium.z;
  edge += 3.0 * step(0.55, fract(along / 41.0)) - 1.5 * step(0.8, fract(along / 17.0 + 0.3));
  return 1.0 - u_stadium.w * smoothstep(-0.35, 0.35, edge);
}
vec3 hazed(vec3 c, vec3 p) {
  float k = 1.0 - exp(-u_haze.w * distance(p, u_eye));
  return mix(c, u_haze.rgb, k);
}
vec3 lin(vec3 c) { return pow(max(c, 0.0), vec3(2.2)); }
