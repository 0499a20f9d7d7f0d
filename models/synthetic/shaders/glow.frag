in vec2 v_ndc;
layout(location = 0) out vec4 o_col;
uniform sampler2D u_scene;
void main() {                // two widths of glare from the scene's own levels
  vec2 uv = 0.5 + 0.5 * v_ndc;
  o_col = 0.5 * textureLod(u_scene, uv, 4.0) + 0.5 * textureLod(u_scene, uv, 6.0);
}
