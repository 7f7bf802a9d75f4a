// Rays of a camera against a height field: one sample or several per pixel, exact hidden surfaces.
// Grid: row r, column c at (x0 + c step, y0 + r step) mm, y up. Beyond it the grid is mirrored.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <vector>

static const int BLOCK = 16;

// Highest cell of each block and of the eight around it: where a ray may hurry.
static std::vector<float> tops(const float* height, int gw, int gh, int* bw) {
  int w = (gw + BLOCK - 1) / BLOCK, h = (gh + BLOCK - 1) / BLOCK;
  std::vector<float> own(w * h, -1e9f), wide(w * h, -1e9f);
  for (int r = 0; r < gh; ++r)
    for (int c = 0; c < gw; ++c) {
      float& top = own[(r / BLOCK) * w + c / BLOCK];
      top = std::max(top, height[r * gw + c]);
    }
  for (int r = 0; r < h; ++r)
    for (int c = 0; c < w; ++c)
      for (int y = std::max(r - 1, 0); y <= std::min(r + 1, h - 1); ++y)
        for (int x = std::max(c - 1, 0); x <= std::min(c + 1, w - 1); ++x)
          wide[r * w + c] = std::max(wide[r * w + c], own[y * w + x]);
  *bw = w;
  return wide;
}

static inline int mirrored(int i, int n) {
  int period = 2 * n;
  i = ((i % period) + period) % period;
  return i < n ? i : period - 1 - i;
}

extern "C" void cast(const float* height, const float* light, const uint8_t* ids, int gw, int gh,
                     float step, float x0, float y0, float low, float high, const double* lens,
                     const double* R, const double* C, int w, int h, int samples, float side,
                     float* out, uint8_t* seen) {
  // lens: f, cx, cy, k1
  int bw;
  std::vector<float> top = tops(height, gw, gh, &bw);
  for (int v = 0; v < h; ++v)
    for (int u = 0; u < w; ++u) {
      float sum[3] = {0, 0, 0};
      for (int s = 0; s < samples * samples; ++s) {
        double du = ((s % samples) + 0.5) / samples - 0.5, dv = ((s / samples) + 0.5) / samples - 0.5;
        double xd = (u + du - lens[1]) / lens[0], yd = (v + dv - lens[2]) / lens[0];
        double x = xd, y = yd;
        for (int i = 0; i < 6; ++i) {
          double k = 1 + lens[3] * (x * x + y * y);
          x = xd / k;
          y = yd / k;
        }
        double d[3];
        for (int i = 0; i < 3; ++i) d[i] = R[i] * x + R[3 + i] * y + R[6 + i];
        if (d[2] > -1e-6) continue;
        double near = (high - C[2]) / d[2], far = (low - C[2]) / d[2];
        double ax = C[0] + near * d[0], ay = C[1] + near * d[1];
        double bx = C[0] + far * d[0], by = C[1] + far * d[1];
        double length = std::hypot(bx - ax, by - ay);
        int n = std::min(4000, std::max(4, (int)std::ceil(length / (0.8 * step))));
        int cell = 0;
        double z = high;
        for (int i = 0; i <= n; ++i) {
          double t = (double)i / n;
          z = high + t * (low - high);
          int c = mirrored((int)std::lround((ax + t * (bx - ax) - x0) / step), gw);
          int r = mirrored((int)std::lround((ay + t * (by - ay) - y0) / step), gh);
          cell = r * gw + c;
          if (height[cell] >= z) break;
          float block = top[(r / BLOCK) * bw + c / BLOCK];
          if (i + BLOCK < n && high + (double)(i + BLOCK) / n * (low - high) > block) {
            i += BLOCK - 1;  // 0.8 of a cell each: still within the block's neighbours
          }
        }
        // within a step the ray may have dropped below a top that it met from above
        double drop = (high - low) / n;
        float shade = height[cell] - z > 1.5 + drop ? side : 1.0f;
        for (int k = 0; k < 3; ++k) sum[k] += shade * light[3 * cell + k];
        if (s == 0) seen[v * w + u] = ids[cell];
      }
      for (int k = 0; k < 3; ++k) out[3 * (v * w + u) + k] = sum[k] / (samples * samples);
    }
}

// Share of a lamp that each cell sees: marching towards `samples` points of it.
extern "C" void shadows(const float* height, int gw, int gh, float step, const float* towards,
                        int samples, float high, float* out) {
  int bw;
  std::vector<float> top = tops(height, gw, gh, &bw);
  for (int r = 0; r < gh; ++r)
    for (int c = 0; c < gw; ++c) {
      int lit = 0;
      float z0 = height[r * gw + c] + 0.3f;
      for (int s = 0; s < samples; ++s) {
        float lx = towards[3 * s], ly = towards[3 * s + 1], lz = towards[3 * s + 2];
        float across = std::hypot(lx, ly);
        bool blocked = false;
        if (across > 1e-3f)
          for (float t = step; ; t += step) {
            float z = z0 + t * lz / across;
            if (z > high) break;
            int cc = (int)std::lround(c + t / step * lx / across);
            int rr = (int)std::lround(r + t / step * ly / across);
            if (cc < 0 || rr < 0 || cc >= gw || rr >= gh) break;
            if (height[rr * gw + cc] > z) { blocked = true; break; }
            if (top[(rr / BLOCK) * bw + cc / BLOCK] < z) t += (BLOCK - 1) * step;
          }
        lit += !blocked;
      }
      out[r * gw + c] = (float)lit / samples;
    }
}
