// Light on the sheet and on tools: lamps, room, mirrors, what shines through.
#pragma once
#include "sheet.h"

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
  // light between sheet and tool, more in a pale room: how dark it is where a round part touches
  amb = amb * (1 / total) + (mean - amb * (1 / total)) * (0.25f * rnd(s.seed, 5, 77));
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
  Found f = cast(w, o, d, fminf(tg, 900.f), 0, ALL);
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
    Found f = cast(w, o, d, 45.f, 0, ALL);
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
