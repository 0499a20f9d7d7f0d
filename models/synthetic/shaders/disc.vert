// Soft dark patch of hidden sky under a man.
uniform mat4 u_clip;
in vec2 in_disc;             // unit disc
in vec4 i_pos;               // x y z yaw
in vec4 i_pose;
out vec2 v_disc;
void main() {
  v_disc = in_disc;
  gl_Position = u_clip * vec4(i_pos.xy + in_disc * 0.62 * i_pose.w, i_pos.z + 0.01, 1.0);
}
