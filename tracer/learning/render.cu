// Ray caster for training pictures: tools as signed distance fields on a textured sheet.
//
// One source for two compilers: nvcc builds it for a GPU, a C++ compiler for the processor, so
// that what is tested on any machine is what renders in volume. Lengths are mm in the sheet
// frame (x right, y up, z towards the camera). The structures mirror `records.py`.
//
// Distance functions and the closest-approach penumbra follow the standard literature on sphere
// tracing: J. C. Hart, "Sphere tracing", The Visual Computer 12 (1996); the centred penumbra is
// the cubic ramp of the blocked share of a disc of half-angle w.
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
struct Tool { int first, count, kind; float clear; float ox, oy, c, s; float lo[3], hi[3]; float height; };
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

struct World { const Scene *s; const Tool *tools; const Prim *prims; const Mat *mats; const uint64_t *bits; };
struct Found { int tool; float t; int mat; float near_mm, near_z; int near_tool; };
HD_CALL Found cast(const World &w, V o, V d, float tmax, float pad, int skip_kind) {
  Found f; f.tool = -1; f.t = tmax; f.near_mm = 1e9f; f.near_z = 0; f.near_tool = -1; f.mat = 0;
  for (int i = 0; i < w.s->n_tools; i++) {
    const Tool &k = w.tools[i];
    if (k.kind == skip_kind) continue;
    V a = to_tool(k, o), b = dir_tool(k, d);
    float t0 = 0, t1 = f.t;
    if (!slab(k, a, b, pad, t0, t1)) continue;
    float t = t0;
    for (int j = 0; j < 72 && t < t1; j++) {
      V q = a + b * t;
      Hit h = tool_distance(w.prims, k, q);
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

// ---------------------------------------------------------------- sheet
HD bool card_value(const World &w, const Card &k, float x, float y, float &value) {
  float dx = x - k.x, dy = y - k.y;
  float u = k.c * dx + k.s * dy, v = -(-k.s * dx + k.c * dy);  // v down, as printed
  if (u < -8 || u > 176 || v < -8 || v > 124) return false;
  value = 0.86f;
  if (u >= 0 && u < 168 && v >= 0 && v < 112) {
    int i = (int)fminf(u / 28, 5.f), j = (int)fminf(v / 28, 3.f);
    if (((i + j) & 1) == 0) value = 0.04f;
    else {
      float a = u - 28 * i - 3.5f, b = v - 28 * j - 3.5f;
      if (a >= 0 && a < 21 && b >= 0 && b < 21) {
        int marker = 12 * k.number + (j * 6 + i) / 2;
        int bit = (int)fminf(b / 2.625f, 7.f) * 8 + (int)fminf(a / 2.625f, 7.f);
        value = ((w.bits[marker] >> bit) & 1) ? 0.86f : 0.04f;
      }
    }
  } else if (v > 115 && v < 116.2f && u > 60 && u < 160) value = 0.05f;
  else if (v > 114 && v < 120 && u > 5 && u < 40 && rnd((int)(u / 1.3f), (int)(v / 1.5f), k.number) > 0.5f)
    value = 0.1f;
  return true;
}
HD_CALL float decal_cover(const Decal &k, float x, float y, int seed) {
  float dx = x - k.x, dy = y - k.y, u = k.c * dx + k.s * dy, v = -k.s * dx + k.c * dy;
  float au = fabsf(u), av = fabsf(v);
  if (au > k.a + 3 || av > k.b + 3) return 0;
  const float *q = k.q;
  switch (k.kind) {
    case 0: return au < k.a && av < k.b ? 1.f : 0.f;                        // tape, label
    case 1: return fabsf(hyp(u, v * k.a / k.b) - k.a) < q[0] ? 1.f : 0.f;  // ring
    case 2: return au < k.a && fabsf(v - 4 * q[1] * sinf(u * q[2])) < q[0] ? 1.f : 0.f;  // pen line
    case 3: {                                                            // rows of print
      if (au > k.a || av > k.b) return 0;
      float row = floorf(v / q[0]), in = v / q[0] - row;
      if (in > 0.55f + 0.25f * rnd((int)row, 5, seed)) return 0;
      float wide = q[0] * 0.3f;
      if (rnd((int)floorf(u / (wide * 5)), (int)row, seed + 2) > 0.86f) return 0;
      return rnd((int)floorf(u / wide), (int)row * 3 + (int)(in * 3.5f), seed + 3) < q[1] ? 1.f : 0.f;
    }
    case 4: return hyp(u / k.a, v / k.b) < 0.75f + 0.3f * fbm(x / q[0], y / q[0], seed, 3) ? 1.f : 0.f;
    case 5: {                                                            // printed scale
      if (au > k.a || av > k.b) return 0;
      float n = floorf(u / q[0]);
      return u - n * q[0] < 0.35f && v + k.b < k.b * (((int)n % 5) == 0 ? 1.6f : 1.f) ? 1.f : 0.f;
    }
    default: {                                                           // frame
      float d = fmaxf(au - k.a, av - k.b);
      return d < 0 && d > -q[0] ? 1.f : 0.f;
    }
  }
}
enum { PLAIN, FIBRE, GRAIN, FOAM, CONCRETE, GRID, CLOTH, TILES, BRUSHED, CHIPS, CHECK, KNIT, WEAVE };
HD_CALL V sheet_albedo(const Ground &g, float x, float y, int seed) {
  const float *s = g.s;  // s0 texture, s1 scale mm, s2 angle, s3 blotch, s4 marks, s5 pitch, s6 line mm, s7 free
  float ca = cosf(s[2]), sa = sinf(s[2]);
  float u = ca * x + sa * y, v = -sa * x + ca * y;
  float t = 0, m = 0;
  V c = rgb(g.a);
  switch (g.kind) {
    case PLAIN: t = fbm(u / s[1], v / s[1], seed, 3); break;
    case FIBRE: t = 0.6f * fbm(u / (s[1] * 6), v / s[1], seed, 3) + 0.6f * fbm(u / s[1], v / (s[1] * 5), seed + 5, 3); break;
    case GRAIN: {
      float bend = 14 * fbm(u / 220, v / 60, seed + 3, 2);
      float ring = sinf((v + bend) * 6.2831853f / s[5] + 3 * noise(u / 160, v / 30, seed + 7));
      float line = fbm(u / 30, v / 0.9f, seed + 9, 3);
      m = 0.5f + 0.5f * ring; m = m * m;
      t = line;
      float kx = u - 190 * floorf(u / 190) - 95, kv = v - 140 * floorf(v / 140) - 70;
      if (s[7] > 0.5f) { float kd = hyp(kx * 0.7f, kv); m = fmaxf(m, expf(-kd * kd / 50)); }
      float plank = floorf(v / 92.f);
      if (s[6] > 0.01f) { c = c * (1 + 0.18f * (rnd((int)plank, 3, seed) - 0.5f)); if (v - plank * 92 < s[6]) c = c * 0.35f; }
      break;
    }
    case FOAM: {
      t = fbm(u / s[1], v / s[1], seed, 4);
      float q = rnd((int)floorf(u / 1.1f), (int)floorf(v / 1.1f), seed);
      if (q > 0.9f) t -= 1.2f; else if (q < 0.06f) t += 1.2f;
      break;
    }
    case CONCRETE: {
      t = 0.8f * fbm(u / 40, v / 40, seed, 4) + 0.5f * fbm(u / 3, v / 3, seed + 4, 3);
      float pore = rnd((int)floorf(u / 2.3f), (int)floorf(v / 2.3f), seed);
      t -= pore > 0.985f ? 2.f : 0.f;
      break;
    }
    case GRID: {
      t = fbm(u / s[1], v / s[1], seed, 3);
      float p = s[5], a = fabsf(u / p - floorf(u / p + 0.5f)) * p, b = fabsf(v / p - floorf(v / p + 0.5f)) * p;
      float major = 5 * p;
      float a2 = fabsf(u / major - floorf(u / major + 0.5f)) * major, b2 = fabsf(v / major - floorf(v / major + 0.5f)) * major;
      if (fminf(a, b) < s[6] * 0.5f) m = 0.55f;
      if (fminf(a2, b2) < s[6]) m = 1;
      if (s[7] > 0.5f) { float dd = fabsf(hyp(u, v) - 70 * floorf(hyp(u, v) / 70 + 0.5f)); if (dd < s[6] * 0.5f) m = 1; }
      break;
    }
    case CLOTH: {
      float a = sinf(u * 6.2831853f / s[1]), b = sinf(v * 6.2831853f / s[1]);
      t = 0.6f * a * b + 0.6f * fbm(u / 12, v / 12, seed, 3);
      if (s[7] > 0.5f && (u / s[5] - floorf(u / s[5])) < 0.3f) m = 1;
      break;
    }
    case BRUSHED: t = 0.7f * fbm(u / (s[1] * 40), v / 0.35f, seed, 3) + 0.5f * fbm(u / 60, v / 60, seed + 5, 3); break;
    case CHIPS: {  // terrazzo, speckled laminate, cork
      float fu = floorf(u / s[1]), fv = floorf(v / s[1]), best = 9;
      int id = 0;
      for (int j = -1; j < 2; j++)
        for (int i = -1; i < 2; i++) {
          int cx = (int)fu + i, cy = (int)fv + j;
          float ax = cx + rnd(cx, cy, seed) - u / s[1], ay = cy + rnd(cx, cy, seed + 1) - v / s[1];
          float d = ax * ax + ay * ay;
          if (d < best) { best = d; id = (int)hash3(cx, cy, seed + 2); }
        }
      float pick = rnd(id, 1, seed);
      m = pick < s[7] ? 1.f : 0.f;
      t = 2 * rnd(id, 2, seed) - 1;
      break;
    }
    case CHECK: {
      float p = s[5] * 2, a = u / p - floorf(u / p), b = v / p - floorf(v / p);
      m = 0.5f * (a < s[7] ? 1.f : 0.f) + 0.5f * (b < s[7] ? 1.f : 0.f);
      t = 0.5f * sinf(u * 4.2f) * sinf(v * 4.2f) + 0.6f * noise(u / 9, v / 9, seed);
      break;
    }
    case KNIT: {  // loops, ribs, terry
      float row = v / s[1], col = u / (s[1] * 0.8f) + 0.35f * fabsf(row - floorf(row) - 0.5f);
      float a = fabsf(col - floorf(col) - 0.5f) * 2;
      t = 1 - 2 * a * a + 0.5f * fbm(u / 3, v / 3, seed, 3);
      break;
    }
    case WEAVE: {  // coarse basket of two threads
      float fu = floorf(u / s[1]), fv = floorf(v / s[1]), a = u / s[1] - fu - 0.5f, b = v / s[1] - fv - 0.5f;
      bool over = (((int)fu + (int)fv) & 1) == 0;
      float across = over ? b : a, along = over ? a : b;
      t = 1 - 5 * across * across - 1.5f * along * along + 0.5f * (rnd((int)fu, (int)fv, seed) - 0.5f);
      m = over ? s[7] : 0.f;
      break;
    }
    default: {
      float p = s[5] * 4, a = u - p * floorf(u / p), b = v - p * floorf(v / p);
      if (fminf(a, b) < s[6] * 2) m = 1;
      t = fbm(u / s[1], v / s[1], seed, 3) + (rnd((int)floorf(u / p), (int)floorf(v / p), seed) - 0.5f);
    }
  }
  c = mix(c, rgb(g.b), m);
  c = c * expf(s[0] * t + s[3] * fbm(x / 130, y / 130, seed + 40, 2));
  if (s[4] > 0) {  // stains, scratches, pencil lines and creases
    float st = fbm(x / 35, y / 35, seed + 60, 3);
    c = mix(c, rgb(g.c), s[4] * ramp(0.35f, 0.5f, st));
    float cr = fabsf(noise(x / 240 + 9, y / 240, seed + 61));
    if (cr < 0.006f) c = c * (1 - 0.35f * s[4]); else if (cr < 0.012f) c = c * (1 + 0.15f * s[4]);
    float sx = noise(x / 90, y / 4, seed + 62);
    if (sx > 0.8f) c = c * (1 + 0.3f * s[4] * (rnd(seed, 1, 2) > 0.5f ? 1 : -1));
  }
  return c;
}
// Height of folds and fine relief of a ground, mm.
HD_CALL float ground_relief(const Ground &g, float x, float y, int seed) {
  const float *s = g.s;
  float ca = cosf(s[2]), sa = sinf(s[2]), h = 0;
  float u = ca * x + sa * y, v = -sa * x + ca * y;
  if (g.fold > 0) {
    float k = 1 / g.fold_mm, bend = 0.6f * noise(u * k * 0.7f + 3, v * k * 0.5f, seed + 81);
    float a = noise(u * k + bend, v * k * 0.35f, seed + 80), b = noise(u * k * 0.6f, v * k * 1.3f + bend, seed + 82);
    float r = 1 - fabsf(a), q = 1 - fabsf(b);
    h += g.fold * g.fold_mm * (0.35f * r * r * r + 0.2f * q * q * q);
  }
  if (g.relief > 0) {
    float k = 6.2831853f / g.relief_mm;
    float woven = g.kind == CLOTH || g.kind == WEAVE || g.kind == KNIT ? sinf(u * k) * sinf(v * k)
                                                                      : fbm(u * k * 0.3f, v * k * 0.3f, seed + 84, 2);
    h += g.relief * g.relief_mm * 0.15f * woven;
  }
  return h;
}
HD_CALL V ground_normal(const World &w, float x, float y) {
  const Scene &s = *w.s;
  float e = fmaxf(s.edge[0] * x + s.edge[1] * y - s.edge[2], s.edge2[0] * x + s.edge2[1] * y - s.edge2[2]);
  const Ground &g = s.ground[e > 0 ? 1 : 0];
  if (g.fold <= 0 && g.relief <= 0) return v3(0, 0, 1);
  int seed = s.seed + (e > 0 ? 1000 : 0);
  const float d = 0.15f;
  float h = ground_relief(g, x, y, seed);
  return norm(v3((h - ground_relief(g, x + d, y, seed)) / d, (h - ground_relief(g, x, y + d, seed)) / d, 1));
}
HD V ground_albedo(const World &w, float x, float y, float &gloss) {
  const Scene &s = *w.s;
  float value = 0;
  for (int i = 0; i < s.n_cards; i++)
    if (card_value(w, s.card[i], x, y, value)) { gloss = 0; return v3(value, value, value * 0.98f); }
  float e = fmaxf(s.edge[0] * x + s.edge[1] * y - s.edge[2], s.edge2[0] * x + s.edge2[1] * y - s.edge2[2]);
  const Ground &g = s.ground[e > 0 ? 1 : 0];
  gloss = g.gloss;
  V c = sheet_albedo(g, x, y, s.seed + (e > 0 ? 1000 : 0));
  for (int i = 0; i < s.n_decals; i++) {
    const Decal &k = s.decal[i];
    float cover = decal_cover(k, x, y, s.seed + 7 * i);
    if (cover > 0) c = mix(c, rgb(k.col), cover * k.strength);
  }
  if (e > 0 && e < s.edge_mm)  // the sheet's own shadow, or its bright cut edge
    c = c * (s.edge_shade + (1 - s.edge_shade) * e / s.edge_mm);
  return c;
}

// ---------------------------------------------------------------- shading
HD_CALL V irradiance(const World &w, V o, V n, int quality) {
  const Scene &s = *w.s;
  V sum = v3(0, 0, 0);
  for (int i = 0; i < s.n_lights; i++) {
    const Light &l = s.light[i];
    V q = rgb(l.pos) - o;
    float r = len(q); V d = q * (1 / r);
    float c = dot(n, d);
    if (c <= 0) continue;
    float seen = (quality > 0 || i == 0) ? visible(w, o, d, r, fmaxf(l.radius / r, 0.004f)) : 0.8f;
    V far2 = rgb(l.pos); float ref = len(far2);
    sum = sum + rgb(l.col) * (c * seen * ref * ref / (r * r));
  }
  V amb = v3(0, 0, 0), all = v3(0, 0, 0); float total = 0;
  int rays = quality > 0 ? 7 : 1;
  for (int i = 0; i < rays; i++) {
    float a = i * 1.0471976f + 0.3f, e = i == 0 ? 1.f : 0.64f, h = sqrtf(1 - e * e);
    V d = i == 0 ? norm(v3(n.x, n.y, n.z + 0.3f)) : v3(h * cosf(a), h * sinf(a), e);
    float c = fmaxf(dot(n, d), 0.f) + 0.02f;
    V l = room(s, d, 0.45f) * c;
    float seen = d.z > 0 ? visible(w, o, d, 260.f, 0.5f) : 0.3f;
    amb = amb + l * seen; all = all + l; total += c;
  }
  V mean = all * (1 / total);
  amb = amb * (1 / total) + (mean - amb * (1 / total)) * 0.12f;
  float up = 0.5f + 0.5f * n.z;
  V bounce = rgb(s.ground[0].a) * mean * (0.6f * (1 - up));
  return sum + amb * up + bounce;
}
HD_CALL V thrown(const World &w, float x, float y);
HD V ground_sun(const World &w, float x, float y) {
  V sun = irradiance(w, v3(x, y, 0.02f), ground_normal(w, x, y), 1);
  return w.s->throws > 0 ? sun + thrown(w, x, y) : sun;
}
HD V ground_light(const World &w, float x, float y, V view, int quality, V sun) {
  float gloss = 0;
  V a = ground_albedo(w, x, y, gloss);
  V o = v3(x, y, 0.02f);
  V c = a * sun;
  if (gloss > 0 && quality > 0) {
    V r = v3(view.x, view.y, -view.z);
    float f = 0.04f + 0.96f * powf(1 - clampf(r.z, 0.f, 1.f), 5.f);
    float e = fmaxf(w.s->edge[0] * x + w.s->edge[1] * y - w.s->edge[2], w.s->edge2[0] * x + w.s->edge2[1] * y - w.s->edge2[2]);
    f = mixf(f, 0.75f, w.s->ground[e > 0 ? 1 : 0].metal);
    float rough = 0.5f - 0.4f * gloss;
    c = c + (room(*w.s, r, rough) + glints(*w.s, o, r, rough)) * (f * gloss * visible(w, o, r, 400.f, rough));
  }
  return c;
}
HD_CALL V surface_colour(const Mat &m, V q, int seed, V &n) {
  V c = rgb(m.a);
  const float *p = m.q;
  float s = 0;
  switch (m.pattern) {
    case 1: { float k = (q.x * p[0] + q.y * p[1]) / p[2]; s = (k - floorf(k)) < p[3] ? 1.f : 0.f; break; }
    case 2: s = ramp(p[3], p[3] + 0.2f, fbm(q.x / p[2], (q.y + q.z) / p[2], seed, 4)); break;
    case 3: s = 0.5f + 0.5f * sinf((q.y + 0.7f * q.z) * 2.2f + 3 * noise(q.x / 40, q.y / 5, seed)); s = s * 0.6f + 0.4f * noise(q.x / 14, q.y / 0.8f, seed + 1); break;
    case 4: {
      s = (fabsf(q.x - p[0]) < p[2] && fabsf(q.y - p[1]) < p[3]) ? 1.f : 0.f;
      bool ink = p[4] > 0.5f && rnd((int)floorf(q.x / 2.1f), (int)floorf(q.y / 3.2f), seed) > 0.62f;
      if (s > 0 && ink) s = 0.2f;
      break;
    }
    case 5: { float k = q.x - floorf(q.x / p[2]) * p[2]; float side = p[4] > 0 ? q.y - p[1] : p[1] - q.y;
      float l = ((int)floorf(q.x / p[2]) % 5 == 0) ? 7.f : 4.f; s = (k < 0.45f && side > -0.2f && side < l) ? 1.f : 0.f; break; }
    case 6: s = q.z > p[0] ? 1.f : 0.f; break;
    case 7: s = q.x > p[0] ? 1.f : 0.f; break;
    case 8: s = hyp(q.x, q.y) > p[0] ? 1.f : 0.f; break;                               // two metals
    case 9: s = fabsf(q.x * p[0] + q.y * p[1] - p[2]) < p[3] ? 1.f : 0.f; break;      // one band
    case 10: {                                                                         // dots
      float k = p[2], a = q.x - k * floorf(q.x / k + 0.5f), b = q.y - k * floorf(q.y / k + 0.5f);
      s = hyp(a, b) < p[3] && fabsf(q.y) < p[1] ? 1.f : 0.f;
      break;
    }
    case 11: {                                                                         // veneer as the sheet's
      float bend = 14 * fbm(q.x / 220, q.y / 60, seed + 3, 2);
      float ring = sinf((q.y + 0.5f * q.z + bend) * 6.2831853f / p[2] + 3 * noise(q.x / 160, q.y / 30, seed + 7));
      s = 0.5f + 0.5f * ring; s = s * s;
      c = c * expf(p[3] * fbm(q.x / 30, q.y / 0.9f, seed + 9, 3));
      break;
    }
    case 12: {                                                                         // label with rows of print
      if (fabsf(q.x - p[0]) > p[2] || fabsf(q.y - p[1]) > p[3]) break;
      float row = floorf(q.y / p[4]), in = q.y / p[4] - row;
      bool ink = in < 0.6f && rnd((int)floorf(q.x / (p[4] * 0.3f)), (int)row * 3 + (int)(in * 4), seed) < 0.6f;
      s = p[5] > 0.5f ? (ink ? 0.f : 1.f) : (ink ? 1.f : 0.f);
      break;
    }
    default: break;
  }
  if (m.bump > 0) {
    float u, v, k = m.bump_mm;
    if (m.bump_kind == 0) { u = noise(q.x / k, (q.y + q.z) / k, seed + 3); v = noise(q.y / k + 7, (q.x - q.z) / k, seed + 4); }
    else if (m.bump_kind == 1) { u = 0; v = noise(q.x / (k * 30), (q.y + q.z) / k, seed + 5); }
    else if (m.bump_kind == 2) { u = sinf((q.x + q.y) * 6.28f / k); v = sinf((q.x - q.y) * 6.28f / k); }
    else { u = sinf(q.x * 6.28f / k); v = 0; }
    n = norm(n + v3(u, v, 0.3f * (u - v)) * m.bump);
  }
  return mix(c, rgb(m.b), clampf(s, 0.f, 1.f));
}
// What a mirror shows: one further hit, shaded without its own mirror.
HD_CALL V mirrored(const World &w, V o, V d, float rough) {
  float tg = d.z < -1e-4f ? -o.z / d.z : 1e9f;
  Found f = cast(w, o, d, fminf(tg, 900.f), 0, -1);
  if (f.tool >= 0) {
    const Tool &k = w.tools[f.tool];
    const Mat &m = w.mats[w.s->first_mat + f.mat];
    V p = o + d * f.t, q = to_tool(k, p), nt = normal_at(w, k, q);
    V c = surface_colour(m, q, w.s->seed + 31 * f.tool, nt), n = dir_sheet(k, nt);
    V plain = c * irradiance(w, p + n * 0.12f, n, 0) * (1 - m.metal);
    V r = d - n * (2 * dot(n, d));
    return plain + c * room(*w.s, r, m.rough) * (m.metal * (r.z > 0 ? 0.9f : 0.3f));
  }
  if (tg < 900) {
    V q = o + d * tg;
    return ground_light(w, q.x, q.y, d, 0, irradiance(w, v3(q.x, q.y, 0.02f), v3(0, 0, 1), 0));
  }
  return room(*w.s, d, rough) + glints(*w.s, o, d, rough);
}
// Light that a level surface gets in the open.
HD V open_light(const Scene &s) {
  V sum = room(s, v3(0, 0, 1), 0.6f);
  for (int i = 0; i < s.n_lights; i++) sum = sum + rgb(s.light[i].col) * norm(rgb(s.light[i].pos)).z;
  return sum;
}
// Light that bright steel throws on the sheet beside it: a few ways out, and whether steel there
// shows a lamp. The sum over eight even directions is about 2.3 times the lamp's width.
HD_CALL V thrown(const World &w, float x, float y) {
  const Scene &s = *w.s;
  V o = v3(x, y, 0.05f), sum = v3(0, 0, 0);
  int ix = (int)floorf(x * 2), iy = (int)floorf(y * 2);
  for (int i = 0; i < 8; i++) {
    const Light &l = s.light[i % (s.n_lights > 0 ? s.n_lights : 1)];
    if (s.n_lights < 1) return sum;
    float low = asinf(clampf(norm(rgb(l.pos)).z, -1.f, 1.f));
    float az = (i + rnd(ix, iy, s.seed + i)) * 0.7853982f;
    float el = i & 1 ? low + 0.2f * (rnd(ix, iy, s.seed + 20 + i) - 0.5f) : 0.1f + 1.2f * rnd(ix, iy, s.seed + 40 + i);
    V d = v3(cosf(el) * cosf(az), cosf(el) * sinf(az), sinf(el));
    Found f = cast(w, o, d, 45.f, 0, -1);
    if (f.tool < 0) continue;
    const Tool &k = w.tools[f.tool];
    const Mat &m = w.mats[s.first_mat + f.mat];
    if (m.metal < 0.5f || m.rough > 0.4f) continue;
    V p = o + d * f.t, n = dir_sheet(k, normal_at(w, k, to_tool(k, p)));
    V r = d - n * (2 * dot(n, d)), q = rgb(l.pos) - p;
    float far = len(q), size = 0.2f + m.rough;
    V to = q * (1 / far);
    float e = (1 - clampf(dot(r, to), -1.f, 1.f)) * 2 / (size * size);
    if (e > 5 || dot(n, to) <= 0) continue;
    sum = sum + rgb(l.col) * rgb(m.a) * (expf(-e) * d.z * visible(w, p + n * 0.12f, to, far, fmaxf(l.radius / far, 0.02f)) / (2.3f * size));
  }
  return sum * s.throws;
}
HD_CALL V surface_light(const World &w, const Found &f, V o, V d) {
  const Tool &k = w.tools[f.tool];
  const Mat &m = w.mats[w.s->first_mat + f.mat];
  V p = o + d * f.t, q = to_tool(k, p);
  V nt = normal_at(w, k, q);
  V ng = dir_sheet(k, nt);
  V c = surface_colour(m, q, w.s->seed + 31 * f.tool, nt);
  V n = dir_sheet(k, nt);
  if (dot(n, d) > -0.02f) n = norm(n - d * (dot(n, d) + 0.02f));
  V start = p + ng * 0.12f;
  V r = d - n * (2 * dot(n, d));
  if (dot(r, ng) < 0.02f) r = norm(r + ng * (0.05f - dot(r, ng)));
  float cosv = clampf(-dot(n, d), 0.f, 1.f), edge = powf(1 - cosv, 5.f);
  V sum = v3(0, 0, 0);
  if (m.metal < 1) sum = c * irradiance(w, start, n, 1) * (1 - m.metal);
  V tint = m.metal > 0 ? mix(c, v3(1, 1, 1), edge * 0.8f) * m.metal : v3(0, 0, 0);
  float f0 = (m.f0 + (1 - m.f0) * edge * (1 - 0.7f * m.rough)) * (1 - m.metal);
  tint = tint + v3(f0, f0, f0);
  if (m.clear > 0) {  // what lies behind, bent a little
    V b = norm(d - n * 0.25f);
    float down = p.z / fmaxf(-b.z, 0.2f), gloss;
    sum = mix(sum, ground_albedo(w, p.x + b.x * down, p.y + b.y * down, gloss) * c * open_light(*w.s), m.clear);
  }
  V mirror;
  if (m.rough < 0.3f && (m.metal > 0.3f || m.rough < 0.12f))
    mirror = mirrored(w, start, r, m.rough);
  else {
    float seen = visible(w, start, r, 300.f, clampf(m.rough, 0.1f, 0.6f));
    V sky = room(*w.s, r, m.rough) + glints(*w.s, p, r, m.rough);
    if (r.z < 0.f || m.rough > 0.3f) {
      float down = ramp(0.15f + m.rough, -0.15f - m.rough * 0.3f, r.z);
      V g = rgb(w.s->ground[0].a) * irradiance(w, v3(p.x + ng.x * 8, p.y + ng.y * 8, 0.1f), v3(0, 0, 1), 0);
      sky = mix(sky, g, down);
    }
    mirror = sky * (0.15f + 0.85f * seen);
  }
  return sum + mirror * tint;
}

// ---------------------------------------------------------------- entry
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
    found[k] = cast(w, origin[k], ray[k], -origin[k].z / ray[k].z, 0, -1);
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
  Found f = cast(w, o, d, -o.z / d.z, 6.f, -1);
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

#ifdef __CUDACC__
__global__ void k_heights(const Prim *prims, Tool *tools, int n, int grid) {
  int t = blockIdx.x; if (t >= n) return;
  World w = {0, tools, prims, 0, 0};
  float top = 0;
  for (int i = threadIdx.x; i < grid * grid; i += blockDim.x)
    top = fmaxf(top, column_top(w, tools[t], (i % grid + 0.5f) / grid, (i / grid + 0.5f) / grid));
  atomicMax((int *)&tools[t].height, __float_as_int(top));
}
__global__ void k_render(const Scene *scenes, const Tool *tools, const Prim *prims, const Mat *mats,
                         const uint64_t *bits, float *light, uint8_t *id, float *cover, float *near_mm, float *fraction) {
  const Scene &s = scenes[blockIdx.z];
  int px = blockIdx.x * blockDim.x + threadIdx.x, py = blockIdx.y * blockDim.y + threadIdx.y, n = s.size;
  if (px >= n || py >= n) return;
  World w = {&s, tools + s.first_tool, prims, mats, bits};
  size_t k = (size_t)blockIdx.z * n * n;
  render_pixel(w, px, py, light + 3 * LIGHTS * LIGHTS * k, id + k, cover + 2 * COVERS * COVERS * k, near_mm + k, fraction + k);
}
#endif

extern "C" int render_scenes(const Scene *scenes, int n_scenes, Tool *tools, int n_tools, const Prim *prims,
                             const Mat *mats, const uint64_t *bits, int size, float *light, uint8_t *id,
                             float *cover, float *near_mm, float *fraction) {
  const int grid = 72;
#ifdef __CUDACC__
  cudaDeviceSetLimit(cudaLimitStackSize, 24576);
  if (n_tools > 0) k_heights<<<n_tools, 256>>>(prims, tools, n_tools, grid);
  dim3 block(8, 8), blocks((size + 7) / 8, (size + 7) / 8, n_scenes);
  k_render<<<blocks, block>>>(scenes, tools, prims, mats, bits, light, id, cover, near_mm, fraction);
  cudaError_t e = cudaDeviceSynchronize();
  return (int)e;
#else
  for (int t = 0; t < n_tools; t++) {
    World w = {0, tools, prims, 0, 0};
    for (int i = 0; i < grid * grid; i++)
      tools[t].height = fmaxf(tools[t].height, column_top(w, tools[t], (i % grid + 0.5f) / grid, (i / grid + 0.5f) / grid));
  }
  for (int b = 0; b < n_scenes; b++) {
    const Scene &s = scenes[b];
    World w = {&s, tools + s.first_tool, prims, mats, bits};
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
