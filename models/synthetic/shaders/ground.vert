uniform mat4 u_clip;
in vec3 in_pos;
out vec3 v_pos;
void main() { v_pos = in_pos; gl_Position = u_clip * vec4(in_pos, 1.0); }
