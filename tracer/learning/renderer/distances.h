// Noise; distance functions of primitives, and of tools put together from them.
#pragma once
#include "records.h"

// ---------------------------------------------------------------- noise
HD uint32_t hash3(int x, int y, int z) {
  uint32_t h = (uint32_t)x * 0x8da6b343u ^ (uint32_t)y * 0xd8163841u ^ (uint32_t)z * 0xcb1ab31fu;
  h ^= h >> 15; h *= 0x2c1b3c6du; h ^= h >> 12; h *= 0x297a2d39u; h ^= h >> 15;
  return h;
}
HD float rnd(int x, int y, int z) { return (hash3(x, y, z) >> 8) * (1.f / 16777216.f); }
HD float noise(float x, float y, int s) {
  float fx = floorf(x), fy = floorf(y);
  int ix = (int)fx, iy = (int)fy;
  float u = x - fx, v = y - fy;
  u = u * u * (3 - 2 * u); v = v * v * (3 - 2 * v);
  return mixf(mixf(rnd(ix, iy, s), rnd(ix + 1, iy, s), u),
              mixf(rnd(ix, iy + 1, s), rnd(ix + 1, iy + 1, s), u), v) * 2 - 1;
}
HD_CALL float fbm(float x, float y, int s, int n) {
  float a = 1, t = 0, g = 0;
  for (int i = 0; i < n && i < 8; i++) {
    t += a * noise(x, y, s + 17 * i); g += a; a *= 0.55f;
    float q = 1.6f * x + 1.2f * y; y = -1.2f * x + 1.6f * y + 3.1f; x = q + 1.7f;
  }
  return t / g;
}

// ---------------------------------------------------------------- distances
HD float extrude(float d, float z, float h, float r) {
  float a = d + r, b = fabsf(z) - h + r;
  return fminf(fmaxf(a, b), 0.f) + hyp(fmaxf(a, 0.f), fmaxf(b, 0.f)) - r;
}
HD float ngon(float x, float y, float r, int n) {  // r: apothem
  if (n < 3) return hyp(x, y) - r;
  float step = 6.2831853f / n;
  float a = atan2f(y, x);
  a = a - step * floorf(a / step + 0.5f);
  float l = hyp(x, y), e = r * tanf(step / 2), qx = l * cosf(a) - r, qy = fabsf(l * sinf(a)) - e;
  return qx < 0 ? fmaxf(qx, qy > 0 ? -1e-3f : qx) : hyp(qx, fmaxf(qy, 0.f));
}
HD float taper2(float px, float py, float l, float r1, float r2) {  // axis from 0 to (l, 0)
  float b = (r1 - r2) / l, a = sqrtf(fmaxf(1 - b * b, 0.f)), x = fabsf(py);
  float k = -b * x + a * px;
  if (k < 0) return hyp(x, px) - r1;
  if (k > a * l) return hyp(x, px - l) - r2;
  return x * a + px * b - r1;
}
HD float box2(float x, float y, float a, float b) {
  float qx = fabsf(x) - a, qy = fabsf(y) - b;
  return fminf(fmaxf(qx, qy), 0.f) + hyp(fmaxf(qx, 0.f), fmaxf(qy, 0.f));
}
HD_CALL float poly2(float x, float y, const float *v, int n) {
  float d = 1e18f, s = 1;
  for (int i = 0, j = n - 1; i < n; j = i, i++) {
    float ex = v[2 * j] - v[2 * i], ey = v[2 * j + 1] - v[2 * i + 1];
    float wx = x - v[2 * i], wy = y - v[2 * i + 1];
    float t = clampf((wx * ex + wy * ey) / (ex * ex + ey * ey), 0.f, 1.f);
    float bx = wx - ex * t, by = wy - ey * t;
    d = fminf(d, bx * bx + by * by);
    bool c1 = y >= v[2 * i + 1], c2 = y < v[2 * j + 1], c3 = ex * wy > ey * wx;
    if ((c1 && c2 && c3) || (!c1 && !c2 && !c3)) s = -s;
  }
  return s * sqrtf(d);
}
enum { BOX, TAPER3, PRISM, STRIP, POLY, CONE, TORUS, ELLIPSOID, THREAD };
HD float prim_distance(const Prim &q, V w) {
  const float *m = q.m, *p = q.p;
  V l = v3(m[0] * w.x + m[1] * w.y + m[2] * w.z + m[3], m[4] * w.x + m[5] * w.y + m[6] * w.z + m[7],
           m[8] * w.x + m[9] * w.y + m[10] * w.z + m[11]);
  switch (q.type) {
    case BOX: {
      float qx = fabsf(l.x) - p[0] + p[3], qy = fabsf(l.y) - p[1] + p[3], qz = fabsf(l.z) - p[2] + p[3];
      V o = v3(fmaxf(qx, 0.f), fmaxf(qy, 0.f), fmaxf(qz, 0.f));
      return len(o) + fminf(fmaxf(qx, fmaxf(qy, qz)), 0.f) - p[3];
    }
    case TAPER3: return taper2(l.x, hyp(l.y, l.z), p[0], p[1], p[2]);
    case PRISM: return extrude(ngon(l.x, l.y, p[0], q.n), l.z, p[1], p[2]);
    case STRIP: return extrude(taper2(l.x, l.y, p[0], p[1], p[2]), l.z, p[3], p[4]);
    case POLY: return extrude(poly2(l.x, l.y, p + 2, q.n), l.z, p[0], p[1]);
    case CONE: {  // along z, radius p0 at -p2, p1 at +p2, exact
      float r = hyp(l.x, l.y), h = p[2], z = l.z, k1 = p[1], dx = p[1] - p[0];
      float cax = r - fminf(r, z < 0 ? p[0] : p[1]), cay = fabsf(z) - h;
      float t = clampf(((k1 - r) * dx + (h - z) * 2 * h) / (dx * dx + 4 * h * h), 0.f, 1.f);
      float cbx = r - k1 + dx * t, cby = z - h + 2 * h * t;
      float s = (cbx < 0 && cay < 0) ? -1.f : 1.f;
      return s * sqrtf(fminf(cax * cax + cay * cay, cbx * cbx + cby * cby)) - p[3];
    }
    case THREAD: {  // radius p0 at the crest, half length p1, edge p2, pitch p3, depth p4
      float turn = l.z / p[3] + atan2f(l.y, l.x) * 0.15915494f;
      float flank = fabsf(2 * (turn - floorf(turn)) - 1);
      return 0.6f * extrude(hyp(l.x, l.y) - p[0] + p[4] * flank, l.z, p[1], p[2]);
    }
    case TORUS: return hyp(hyp(l.x, l.y) - p[0], l.z * p[2]) - p[1];
    default: {
      V a = v3(l.x / p[0], l.y / p[1], l.z / p[2]);
      V b = v3(a.x / p[0], a.y / p[1], a.z / p[2]);
      float k = len(a);
      return k < 1e-3f ? -fminf(p[0], fminf(p[1], p[2])) : k * (k - 1) / fmaxf(len(b), 1e-6f);
    }
  }
}
struct Hit { float d; int mat; };
HD_CALL Hit tool_distance(const Prim *prims, const Tool &t, V w) {
  Hit h; h.d = 1e9f; h.mat = 0;
  for (int i = 0; i < t.count; i++) {
    const Prim &q = prims[t.first + i];
    float d = prim_distance(q, w);
    if (q.op == 0) { if (d < h.d) { h.d = d; h.mat = q.mat; } }
    else if (q.op == 1) {
      int m = d < h.d ? q.mat : h.mat;
      float e = clampf(0.5f + 0.5f * (h.d - d) / q.k, 0.f, 1.f);
      h.d = mixf(h.d, d, e) - q.k * e * (1 - e); h.mat = m;
    } else if (q.op == 2) { if (-d > h.d) h.d = -d; }
    else { if (d > h.d) h.d = d; }
  }
  return h;
}
HD V to_tool(const Tool &t, V p) {
  float x = p.x - t.ox, y = p.y - t.oy;
  return v3(t.c * x + t.s * y, -t.s * x + t.c * y, p.z);
}
HD V dir_tool(const Tool &t, V d) { return v3(t.c * d.x + t.s * d.y, -t.s * d.x + t.c * d.y, d.z); }
HD V dir_sheet(const Tool &t, V d) { return v3(t.c * d.x - t.s * d.y, t.s * d.x + t.c * d.y, d.z); }
HD bool slab(const Tool &t, V o, V d, float pad, float &t0, float &t1) {
  const float *oo = &o.x, *dd = &d.x;
  for (int i = 0; i < 3; i++) {
    float inv = 1.f / (fabsf(dd[i]) < 1e-9f ? 1e-9f : dd[i]);
    float a = (t.lo[i] - pad - oo[i]) * inv, b = (t.hi[i] + pad - oo[i]) * inv;
    t0 = fmaxf(t0, fminf(a, b)); t1 = fminf(t1, fmaxf(a, b));
  }
  return t0 < t1;
}
