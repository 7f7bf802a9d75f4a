// Vectors, and the records that `records.py` mirrors.
#pragma once
#include <cmath>
#include <cstdint>
#ifdef __CUDACC__
#define HD __host__ __device__ __forceinline__
#define HD_CALL __host__ __device__ __noinline__  // large bodies: called, not copied
#else
#define HD inline
#define HD_CALL static
#endif

struct V { float x, y, z; };
HD V v3(float x, float y, float z) { V r = {x, y, z}; return r; }
HD V operator+(V a, V b) { return v3(a.x + b.x, a.y + b.y, a.z + b.z); }
HD V operator-(V a, V b) { return v3(a.x - b.x, a.y - b.y, a.z - b.z); }
HD V operator*(V a, float s) { return v3(a.x * s, a.y * s, a.z * s); }
HD V operator*(V a, V b) { return v3(a.x * b.x, a.y * b.y, a.z * b.z); }
HD float dot(V a, V b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
HD float len(V a) { return sqrtf(dot(a, a)); }
HD V norm(V a) { return a * (1.0f / fmaxf(len(a), 1e-12f)); }
HD V cross(V a, V b) {
  return v3(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x);
}
HD float clampf(float x, float a, float b) { return fminf(fmaxf(x, a), b); }
HD float mixf(float a, float b, float t) { return a + (b - a) * t; }
HD V mix(V a, V b, float t) { return a + (b - a) * t; }
HD float ramp(float a, float b, float x) {
  float t = clampf((x - a) / (b - a), 0.f, 1.f);
  return t * t * (3 - 2 * t);
}
HD float hyp(float a, float b) { return sqrtf(a * a + b * b); }

struct Prim { int type, op, mat, n; float k; float m[12]; float p[16]; };
struct Tool { int first, count, kind; float clear; float ox, oy, c, s; float lo[3], hi[3]; float height; int threaded; };
struct Mat {
  float a[3], b[3]; float metal, rough, f0; int pattern; float q[6]; float bump, bump_mm; int bump_kind;
  float clear;  // share of the sheet behind that shines through
};
struct Light { float pos[3], col[3]; float radius; };
struct Patch { float dir[3], u[3], col[3]; float hu, hv; };
struct Ground { int kind; float a[3], b[3], c[3]; float s[8]; float gloss;
  float metal, fold, fold_mm, relief, relief_mm; };
struct Card { int number; float x, y, c, s; };
// Something flat on the sheet: tape, print, pen, spills. a, b: half lengths in mm.
struct Decal { int kind; float x, y, c, s, a, b, col[3], q[3], strength; };
const int DECALS = 14;
struct Scene {
  float cam[3], x0, y0, step; int size, seed;
  int first_tool, n_tools, n_lights, n_patches, n_cards, first_mat, n_decals;
  float zenith[3], horizon[3], below[3];
  float edge[3];  // sheet where edge[0] x + edge[1] y < edge[2]
  float edge2[3];
  float edge_mm, edge_shade;  // the sheet's own shadow beyond its edge
  float throws;  // how much light bright steel throws on the sheet
  Light light[6]; Patch patch[8]; Ground ground[2]; Card card[4]; Decal decal[DECALS];
};
