// Sheets and benches: scale cards, prints, textures, folds.
#pragma once
#include "tracing.h"

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
enum { PLAIN, FIBRE, GRAIN, FOAM, CONCRETE, GRID, CLOTH, TILES, BRUSHED, CHIPS, CHECK, KNIT, WEAVE, DOTS, RIBS };
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
      if (s[7] > 0.2f && s[7] < 0.5f) {  // slanting both ways
        float q = 4 * p, e = (u - v) * 0.70710678f, k = (u + 1.7320508f * v) * 0.5f;
        e = fabsf(e / q - floorf(e / q + 0.5f)) * q; k = fabsf(k / q - floorf(k / q + 0.5f)) * q;
        if (fminf(e, k) < s[6] * 0.5f) m = 0.8f;
      }
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
    case DOTS: {
      float p = s[5], a = u - p * floorf(u / p + 0.5f), b = v - p * floorf(v / p + 0.5f);
      m = (s[7] > 0.5f ? fmaxf(fabsf(a), fabsf(b)) : hyp(a, b)) < s[6] ? 1.f : 0.f;
      t = fbm(u / s[1], v / s[1], seed, 3);
      break;
    }
    case RIBS: t = fbm(u / 15, v / 15, seed, 3); break;
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
    float woven = g.kind == RIBS ? sinf(v * k) : g.kind == CLOTH || g.kind == WEAVE || g.kind == KNIT ? sinf(u * k) * sinf(v * k)
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
