in vec2 v_disc;
layout(location = 0) out vec4 o_col;
void main() { o_col = vec4(clamp(1.15 - length(v_disc), 0.0, 1.0)); }
