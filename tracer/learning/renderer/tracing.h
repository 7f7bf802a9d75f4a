// Rays through a world of tools: what they meet, what they shade, the room beyond.
#pragma once
#include "distances.h"

// crests: the primitives with every thread filled up to its crest.
struct World { const Scene *s; const Tool *tools; const Prim *prims; const Prim *crests; const Mat *mats; const uint64_t *bits; };
// What a ray is cast among: all as it is, all filled to the crests, only what has a thread so filled.
enum Among { ALL, FILLED, THREADED };
struct Found { int tool; float t; int mat; float near_mm, near_z; int near_tool; };
HD_CALL Found cast(const World &w, V o, V d, float tmax, float pad, Among among) {
  Found f; f.tool = -1; f.t = tmax; f.near_mm = 1e9f; f.near_z = 0; f.near_tool = -1; f.mat = 0;
  for (int i = 0; i < w.s->n_tools; i++) {
    const Tool &k = w.tools[i];
    if (among == THREADED && !k.threaded) continue;
    V a = to_tool(k, o), b = dir_tool(k, d);
    float t0 = 0, t1 = f.t;
    if (!slab(k, a, b, pad, t0, t1)) continue;
    float t = t0;
    for (int j = 0; j < 128 && t < t1; j++) {
      V q = a + b * t;
      Hit h = tool_distance(among == ALL ? w.prims : w.crests, k, q);
      if (pad > 0 && h.d < f.near_mm) { f.near_mm = h.d; f.near_z = q.z; f.near_tool = i; }
      if (h.d < 0.03f) { f.t = t; f.tool = i; f.mat = h.mat; break; }
      t += fmaxf(h.d * 0.92f, 0.04f);
    }
  }
  return f;
}
HD_CALL float visible(const World &w, V o, V d, float tmax, float wide) {
  float all = 1;
  for (int i = 0; i < w.s->n_tools; i++) {
    const Tool &k = w.tools[i];
    V a = to_tool(k, o), b = dir_tool(k, d);
    float t0 = 0.05f, t1 = tmax;
    float reach = fminf(wide * 60.f, 40.f);
    if (!slab(k, a, b, reach, t0, t1)) continue;
    float t = fmaxf(t0, 0.05f), res = 1;
    for (int j = 0; j < 40 && t < t1; j++) {
      float h = tool_distance(w.prims, k, a + b * t).d;
      res = fminf(res, h / (wide * t));
      if (res < -1) break;
      t += clampf(fabsf(h) * 0.8f, 0.15f + 0.02f * t, 60.f);
    }
    res = fmaxf(res, -1.f);
    float open = 0.25f * (1 + res) * (1 + res) * (2 - res);
    all *= open + (1 - open) * k.clear;
    if (all < 0.004f) return 0;
  }
  return all;
}
HD_CALL V normal_at(const World &w, const Tool &k, V q) {
  const float e = 0.05f;
  float a = tool_distance(w.prims, k, v3(q.x + e, q.y - e, q.z - e)).d;
  float b = tool_distance(w.prims, k, v3(q.x - e, q.y - e, q.z + e)).d;
  float c = tool_distance(w.prims, k, v3(q.x - e, q.y + e, q.z - e)).d;
  float d = tool_distance(w.prims, k, v3(q.x + e, q.y + e, q.z + e)).d;
  return norm(v3(a - b - c + d, -a - b + c + d, -a + b - c + d));
}

// ---------------------------------------------------------------- room
HD V rgb(const float *c) { return v3(c[0], c[1], c[2]); }
HD_CALL V room(const Scene &s, V d, float rough) {
  float soft = 0.02f + rough;
  V c = d.z > 0 ? mix(rgb(s.horizon), rgb(s.zenith), sqrtf(d.z))
                : mix(rgb(s.horizon), rgb(s.below), ramp(0.f, 0.4f, -d.z));
  c = c * (1 + 0.25f * noise(atan2f(d.y, d.x) * 2.5f, d.z * 4, s.seed) * (1 - fminf(rough, 1.f)));
  for (int i = 0; i < s.n_patches; i++) {
    const Patch &p = s.patch[i];
    V n = rgb(p.dir), u = rgb(p.u), v = cross(n, u);
    float k = dot(d, n);
    if (k <= 0.05f) continue;
    float a = fabsf(dot(d, u) / k), b = fabsf(dot(d, v) / k);
    float m = (1 - ramp(p.hu - soft, p.hu + soft, a)) * (1 - ramp(p.hv - soft, p.hv + soft, b));
    float shrink = fminf(1.f, p.hu / soft) * fminf(1.f, p.hv / soft);
    c = c + rgb(p.col) * (m * shrink);
  }
  return c;
}
HD V glints(const Scene &s, V o, V d, float rough) {
  V c = v3(0, 0, 0);
  for (int i = 0; i < s.n_lights; i++) {
    const Light &l = s.light[i];
    V q = rgb(l.pos) - o;
    float r = len(q), a = l.radius / r, k = dot(d, q) / r;
    float size2 = a * a + rough * rough * 0.5f + 1e-5f;
    float e = (1 - clampf(k, -1.f, 1.f)) * 2 / size2;
    if (e < 12) c = c + rgb(l.col) * (expf(-e) * fminf(1.2f / size2, 60.f) * 0.25f);
  }
  return c;
}
