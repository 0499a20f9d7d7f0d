layout(location = 0) out uint o_id;
uniform int u_id;
void main() { o_id = uint(u_id); }
