// Ray caster for training pictures: tools as signed distance fields on a textured sheet.
//
// One source for two compilers: nvcc builds it for a GPU, a C++ compiler for the processor, so
// that what is tested on any machine is what renders in volume. Lengths are mm in the sheet
// frame (x right, y up, z towards the camera). The structures mirror `records.py`.
//
// Distance functions and the closest-approach penumbra follow the standard literature on sphere
// tracing: J. C. Hart, "Sphere tracing", The Visual Computer 12 (1996); the centred penumbra is
// the cubic ramp of the blocked share of a disc of half-angle w.
#include "shading.h"

HD V pixel_dir(const Scene &s, float x, float y, V &o) {
  o = rgb(s.cam);
  return norm(v3(x, y, 0) - o);
}
// A pixel is 4 x 4 samples of light. The samples of a quarter that hit one material of one tool
// share its shading, and those on the sheet share their light: only colours are drawn four times.
const int LIGHTS = 4, COVERS = 2;
HD_CALL void render_quarter(const World &w, int qx, int qy, float *light, float *cover) {
  const Scene &s = *w.s;
  int n = s.size;
  Found found[4];
  V origin[4], ray[4], colour[4], sun = v3(0, 0, 0), spot[4];
  float hit = 0, hit_cable = 0;
  bool lit = false;
  for (int k = 0; k < 4; k++) {
    int sx = 2 * qx + (k & 1), sy = 2 * qy + (k >> 1);
    float jx = 0.8f * (rnd(sx, sy, s.seed) - 0.5f), jy = 0.8f * (rnd(sx, sy, s.seed + 1) - 0.5f);
    float x = s.x0 + s.step * (0.25f * (sx + jx) - 0.375f), y = s.y0 - s.step * (0.25f * (sy + jy) - 0.375f);
    spot[k] = v3(x, y, 0);
    ray[k] = pixel_dir(s, x, y, origin[k]);
    found[k] = cast(w, origin[k], ray[k], -origin[k].z / ray[k].z, 0, ALL);
    const Found &f = found[k];
    bool shared = false;
    for (int j = 0; j < k && !shared && f.tool >= 0; j++)
      if (found[j].tool == f.tool && found[j].mat == f.mat) { colour[k] = colour[j]; shared = true; }
    if (f.tool >= 0) {
      if (!shared) colour[k] = surface_light(w, f, origin[k], ray[k]);
      if (w.tools[f.tool].kind == 0) hit += 0.25f;
      if (w.tools[f.tool].kind == 1) hit_cable += 0.25f;
    } else {
      if (!lit) { sun = ground_sun(w, spot[k].x, spot[k].y); lit = true; }
      colour[k] = ground_light(w, spot[k].x, spot[k].y, ray[k], 1, sun);
      // between two turns of a thread the sheet is seen, but a pocket follows the crests
      Found g = cast(w, origin[k], ray[k], -origin[k].z / ray[k].z, 0, THREADED);
      if (g.tool >= 0 && w.tools[g.tool].kind == 0) hit += 0.25f;
    }
    float *out = light + 3 * ((size_t)sy * LIGHTS * n + sx);
    out[0] = fminf(colour[k].x, 8.f); out[1] = fminf(colour[k].y, 8.f); out[2] = fminf(colour[k].z, 8.f);
  }
  size_t at = (size_t)qy * COVERS * n + qx;
  cover[2 * at] = hit; cover[2 * at + 1] = hit_cable;
}
HD void render_pixel(const World &w, int px, int py, float *light, uint8_t *id, float *cover,
                     float *near_mm, float *fraction) {
  const Scene &s = *w.s;
  for (int k = 0; k < COVERS * COVERS; k++)
    render_quarter(w, COVERS * px + k % COVERS, COVERS * py + k / COVERS, light, cover);
  V o, d = pixel_dir(s, s.x0 + s.step * px, s.y0 - s.step * py, o);
  Found f = cast(w, o, d, -o.z / d.z, 6.f, FILLED);
  size_t at = (size_t)py * s.size + px;
  id[at] = f.tool >= 0 ? (uint8_t)(f.tool + 1) : 0;
  bool edge = f.tool < 0 && f.near_tool >= 0 && f.near_mm < 4.f && w.tools[f.near_tool].kind == 0;
  near_mm[at] = f.tool >= 0 ? -1.f : (edge ? f.near_mm : 99.f);
  fraction[at] = edge ? clampf(f.near_z / fmaxf(w.tools[f.near_tool].height, 0.3f), 0.f, 1.f) : -1.f;
}
HD float column_top(const World &w, const Tool &k, float u, float v) {
  float x = mixf(k.lo[0], k.hi[0], u), y = mixf(k.lo[1], k.hi[1], v), z = k.hi[2] + 0.1f;
  for (int j = 0; j < 80 && z > 0; j++) {
    float d = tool_distance(w.prims, k, v3(x, y, z)).d;
    if (d < 0.02f) return z;
    z -= fmaxf(d * 0.92f, 0.03f);
  }
  return 0;
}

// The i-th of n columns spread so that no two have the same u or v: a thin wall along either axis is met.
HD float spread_top(const World &w, const Tool &k, int i, int n) {
  float v = i * 0.61803399f;
  return column_top(w, k, (i + 0.5f) / n, v - floorf(v));
}

#ifdef __CUDACC__
__global__ void k_heights(const Prim *prims, Tool *tools, int n, int columns) {
  int t = blockIdx.x; if (t >= n) return;
  World w = {0, tools, prims, prims, 0, 0};
  float top = 0;
  for (int i = threadIdx.x; i < columns; i += blockDim.x)
    top = fmaxf(top, spread_top(w, tools[t], i, columns));
  atomicMax((int *)&tools[t].height, __float_as_int(top));
}
__global__ void k_render(const Scene *scenes, const Tool *tools, const Prim *prims, const Prim *crests, const Mat *mats,
                         const uint64_t *bits, float *light, uint8_t *id, float *cover, float *near_mm, float *fraction) {
  const Scene &s = scenes[blockIdx.z];
  int px = blockIdx.x * blockDim.x + threadIdx.x, py = blockIdx.y * blockDim.y + threadIdx.y, n = s.size;
  if (px >= n || py >= n) return;
  World w = {&s, tools + s.first_tool, prims, crests, mats, bits};
  size_t k = (size_t)blockIdx.z * n * n;
  render_pixel(w, px, py, light + 3 * LIGHTS * LIGHTS * k, id + k, cover + 2 * COVERS * COVERS * k, near_mm + k, fraction + k);
}
#endif

extern "C" int render_scenes(const Scene *scenes, int n_scenes, Tool *tools, int n_tools, const Prim *prims,
                             const Prim *crests, const Mat *mats, const uint64_t *bits, int size, float *light, uint8_t *id,
                             float *cover, float *near_mm, float *fraction) {
  const int columns = 72 * 72;
#ifdef __CUDACC__
  cudaDeviceSetLimit(cudaLimitStackSize, 24576);
  if (n_tools > 0) k_heights<<<n_tools, 256>>>(prims, tools, n_tools, columns);
  dim3 block(8, 8), blocks((size + 7) / 8, (size + 7) / 8, n_scenes);
  k_render<<<blocks, block>>>(scenes, tools, prims, crests, mats, bits, light, id, cover, near_mm, fraction);
  cudaError_t e = cudaDeviceSynchronize();
  return (int)e;
#else
  for (int t = 0; t < n_tools; t++) {
    World w = {0, tools, prims, prims, 0, 0};
    for (int i = 0; i < columns; i++)
      tools[t].height = fmaxf(tools[t].height, spread_top(w, tools[t], i, columns));
  }
  for (int b = 0; b < n_scenes; b++) {
    const Scene &s = scenes[b];
    World w = {&s, tools + s.first_tool, prims, crests, mats, bits};
    size_t k = (size_t)b * size * size;
    for (int py = 0; py < size; py++)
      for (int px = 0; px < size; px++)
        render_pixel(w, px, py, light + 3 * LIGHTS * LIGHTS * k, id + k, cover + 2 * COVERS * COVERS * k, near_mm + k, fraction + k);
  }
  return 0;
#endif
}

// Sizes of the records, for the caller to compare with its own.
extern "C" void record_sizes(int *out) {
  out[0] = sizeof(Scene); out[1] = sizeof(Tool); out[2] = sizeof(Prim); out[3] = sizeof(Mat);
}
