// Where labels go: beside their tool, over no tool and over no other label.
//
// Tools are drawn once into a small map; sums over it tell in a moment what a label would cover.

const SIDE = 360; // cells of the map along the photo's longer side
const RINGS = [6, 16, 34, 60, 95]; // distances from the edge that are tried, in screen pixels
const SPOTS = 24; // places round the edge that are tried at each distance

export class LabelRoom {
  /** `edges` are {path} of the photo's tools, in photo pixels. */
  constructor(size, paths) {
    const [w, h] = size;
    this.k = SIDE / Math.max(w, h, 1);
    this.w = Math.max(1, Math.ceil(w * this.k));
    this.h = Math.max(1, Math.ceil(h * this.k));
    const canvas = document.createElement('canvas');
    canvas.width = this.w;
    canvas.height = this.h;
    const context = canvas.getContext('2d', { willReadFrequently: true });
    context.scale(this.k, this.k);
    context.lineWidth = 2 / this.k; // a cell more all round: the map is coarse
    for (const d of paths) {
      const shape = new Path2D(d);
      context.fill(shape); // holes count as the tool: a name in a ring hides what is seen in it
      context.stroke(shape);
    }
    this.#sum(context.getImageData(0, 0, this.w, this.h).data);
  }

  #sum(pixels) {
    const wide = this.w + 1;
    this.sums = new Int32Array(wide * (this.h + 1));
    for (let y = 0; y < this.h; y += 1) {
      let row = 0;
      for (let x = 0; x < this.w; x += 1) {
        row += pixels[4 * (y * this.w + x) + 3] > 40 ? 1 : 0;
        this.sums[(y + 1) * wide + x + 1] = this.sums[y * wide + x + 1] + row;
      }
    }
  }

  /** Cells of tools under a box in photo pixels. */
  covered([x0, y0, x1, y1]) {
    const clip = (v, most) => Math.min(Math.max(v, 0), most);
    const a = clip(Math.floor(x0 * this.k), this.w);
    const b = clip(Math.ceil(x1 * this.k), this.w);
    const c = clip(Math.floor(y0 * this.k), this.h);
    const d = clip(Math.ceil(y1 * this.k), this.h);
    const wide = this.w + 1;
    return this.sums[d * wide + b] - this.sums[c * wide + b] - this.sums[d * wide + a] + this.sums[c * wide + a];
  }

  /** The middle of a free place for a label of this size (photo pixels) beside a ring, and what it
   *  covers; `taken` are boxes of labels that stand already, `scale` screen pixels per photo pixel. */
  place(ring, [w, h], taken, scale, within) {
    let best = null;
    for (const r of RINGS) {
      for (const [px, py, nx, ny] of ring) {
        const away = r / scale + (Math.abs(nx) * w + Math.abs(ny) * h) / 2;
        const x = px + nx * away;
        const y = py + ny * away;
        const box = [x - w / 2, y - h / 2, x + w / 2, y + h / 2];
        if (box[0] < 0 || box[1] < 0 || box[2] > within[0] || box[3] > within[1]) continue;
        const cost = this.covered(box) + 400 * taken.filter((t) => t[0] < box[2] && box[0] < t[2] && t[1] < box[3] && box[1] < t[3]).length;
        const price = cost * 1000 + r; // free ones first, then the nearest
        if (!best || price < best.price) best = { price, cost, at: [x, y], box, from: [px, py] };
      }
      if (best?.cost === 0) return best;
    }
    return best;
  }
}

/** Places round a path with the direction outwards: [x, y, nx, ny], photo pixels. */
export function spotsAround(path) {
  const length = path.getTotalLength();
  const points = Array.from({ length: SPOTS }, (_, i) => path.getPointAtLength((length * i) / SPOTS));
  const cx = points.reduce((sum, p) => sum + p.x, 0) / SPOTS;
  const cy = points.reduce((sum, p) => sum + p.y, 0) / SPOTS;
  return points.map((p, i) => {
    const a = points[(i + SPOTS - 1) % SPOTS];
    const b = points[(i + 1) % SPOTS];
    let [nx, ny] = [b.y - a.y, a.x - b.x]; // across the edge there
    const size = Math.hypot(nx, ny) || 1;
    const out = nx * (p.x - cx) + ny * (p.y - cy) < 0 ? -1 : 1;
    return [p.x, p.y, (out * nx) / size, (out * ny) / size];
  });
}
