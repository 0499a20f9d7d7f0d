in vec3 v_pos;
flat in vec4 v_info;
layout(location = 0) out vec4 o_col;
void main() { o_col = vec4(1.0); }
