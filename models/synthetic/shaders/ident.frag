flat in vec4 v_info;
layout(location = 0) out uint o_id;
void main() { o_id = uint(v_info.w + 0.5); }
