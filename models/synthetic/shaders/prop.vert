uniform mat4 u_clip;
in vec3 in_pos;
in vec3 in_nrm;
in vec3 in_col;
in vec3 in_uv;               // u v kind (0 plain, 1 crowd, 2 emissive, 3 mesh)
out vec3 v_pos;
out vec3 v_nrm;
out vec3 v_col;
out vec3 v_uv;
void main() { v_pos = in_pos; v_nrm = in_nrm; v_col = in_col; v_uv = in_uv; gl_Position = u_clip * vec4(in_pos, 1.0); }
