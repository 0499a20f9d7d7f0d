uniform isampler2D u_verts;
uniform isampler2D u_norms;
uniform float u_scale;
uniform mat4 u_clip;
uniform int u_mode;          // 0 picture, 1 shadow on the ground, 3 cell of the area atlas
uniform vec3 u_light;
in float a_part;
in vec2 a_uv;
in vec4 i_pos;               // x y z yaw
in vec4 i_pose;              // row of first frame, row of second, weight, scale
in vec4 i_info;              // palette row, number, pattern, id
in vec4 i_box;               // picture box in undistorted NDC (atlas only)
in vec4 i_cell;              // cell in NDC
out vec3 v_pos;
out vec3 v_nrm;
out vec2 v_uv;
flat out int v_part;
flat out vec4 v_info;
void main() {
  int v = gl_VertexID;
  vec3 a = vec3(texelFetch(u_verts, ivec2(v, int(i_pose.x)), 0).xyz);
  vec3 b = vec3(texelFetch(u_verts, ivec2(v, int(i_pose.y)), 0).xyz);
  vec3 p = mix(a, b, i_pose.z) * u_scale * i_pose.w;
  float c = cos(i_pos.w), s = sin(i_pos.w);
  mat3 R = mat3(c, s, 0.0, -s, c, 0.0, 0.0, 0.0, 1.0);
  vec3 n = vec3(texelFetch(u_norms, ivec2(v, int(i_pose.x)), 0).xyz) / 127.0;
  v_nrm = R * n;
  vec3 world = R * p + i_pos.xyz;
  if (u_mode == 1) world -= u_light * ((world.z - i_pos.z - 0.01) / u_light.z);
  v_pos = world; v_uv = a_uv; v_part = int(a_part + 0.5); v_info = i_info;
  gl_Position = u_clip * vec4(world, 1.0);
  if (u_mode == 3) {
    vec2 ndc = gl_Position.xy / max(gl_Position.w, 0.05);
    vec2 f = (ndc - i_box.xy) / (i_box.zw - i_box.xy);
    gl_Position = vec4(mix(i_cell.xy, i_cell.zw, f), 0.0, 1.0);
  }
}
