// A thing of the panel's plan as fields: what is typed is kept at once, what is empty is as usual.

import { field, freshId, h } from './dom.js';
import { readLength } from './lay_settings.js';
import { fieldLength, number, parseLength, say } from './texts.js';

const place = (key) => ({ key, kind: 'length', low: -5000, high: 5000 });
const size = (key, low, high, need) => ({ key, kind: 'length', low, high, need });
const plain = (key, low, high) => ({ key, kind: 'plain', low, high });
const name = { key: 'name', kind: 'text', need: true };

/** Fields of each kind of thing, in the plan's words; those with `need` may not be emptied. */
export const FIELDS = {
  ledges: [name, place('x_mm'), place('y_mm'), size('width_mm', 1, 3000, true), size('height_mm', 1, 3000, true), size('out_mm', 1, 2000, true),
    plain('mass_kg', 0, 1000), size('lift_mm', 0, 2000), size('swing_mm', 0, 2000)],
  mounts: [name, place('x_mm'), place('y_mm'), plain('turn_deg', -360, 360), size('width_mm', 1, 3000), size('height_mm', 1, 3000),
    { key: 'holes', kind: 'holes' }, { key: 'from_behind', kind: 'flag' }, plain('mass_kg', 0, 1000), size('pilot_mm', 0.3, 200), { key: 'powered', kind: 'flag' },
    size('air_mm', 0, 500), plain('count', 1, 100), size('pitch_mm', 1, 6000), { key: 'row', kind: 'choice', choices: ['level', 'upright'] },
    size('cable_mm', 0.5, 60), { key: 'cable_to', kind: 'choice', choices: ['lower', 'upper', 'left', 'right'] }],
  cavities: [name, size('cable_mm', 0.5, 60, true), size('length_mm', 0, 20000, true), place('x_mm'), place('y_mm'), size('radius_mm', 1, 3000),
    plain('start_deg', -360, 360), plain('sweep_deg', 1, 360), size('width_mm', 1, 1000), size('skin_mm', 1, 500), { key: 'pocket_id', kind: 'pocket' }],
  emblems: [size('width_mm', 1, 3000), size('height_mm', 1, 3000), size('depth_mm', 0.5, 500), size('press_mm', -1, 2),
    { key: 'islands', kind: 'choice', choices: ['loose', 'bridged', 'filled'] }],
  rail: [size('thickness_mm', 3, 300), size('height_mm', 5, 500), size('length_mm', 20, 12000), { ...size('pitch_mm', 20, 2000), label: 'screws_mm' }, size('hole_mm', 0.3, 200),
    { key: 'finish', kind: 'text' }, { key: 'cover_strip', kind: 'flag' }],
  wells: [name, place('x_mm'), place('y_mm'), size('width_mm', 0.5, 2000, true), size('height_mm', 0.5, 2000), size('reach_mm', 0, 500, true)],
  steps: [name, place('x_mm'), place('y_mm'), size('width_mm', 0.5, 2000, true), size('height_mm', 0.5, 2000, true), size('under_mm', 0.5, 200, true)],
};

/** Holes as typed: x y diameter; x y diameter. Undefined where that is not what was typed. */
function readHoles(text) {
  const holes = text.split(';').map((one) => one.trim()).filter(Boolean).map((one) => one.split(/\s+/).map(parseLength));
  const sound = holes.every((one) => one.length === 3 && one.every(Number.isFinite) && Math.abs(one[0]) <= 3000 && Math.abs(one[1]) <= 3000 && one[2] >= 0.3 && one[2] <= 200);
  return sound ? holes.map(([x, y, d]) => ({ x_mm: x, y_mm: y, diameter_mm: d })) : undefined;
}

function readPlain(text, { low, high }) {
  if (!text) return null;
  const value = Number(text.replace('°', '').replace(',', '.'));
  return value >= low && value <= high ? value : undefined;
}

const READ = {
  length: (text, of) => readLength(text, of.low, of.high),
  plain: readPlain,
  text: (text) => text || null,
  holes: (text) => (text ? readHoles(text) : null),
};
const SHOWN = {
  length: fieldLength,
  plain: (value) => (value === undefined ? '' : number(value)),
  text: (value) => value ?? '',
  holes: (value) => (value ?? []).map((one) => [one.x_mm, one.y_mm, one.diameter_mm].map(fieldLength).join(' ')).join('; '),
};

/** Fields for one thing. `keep(key, value)` keeps a value, undefined for as usual; `pockets` are
 *  [id, name] to choose from. */
export function thingFields(room, item, { keep, message, pockets = [] }) {
  return FIELDS[room].map((of) => {
    const label = say(`panel.parts.${of.label ?? of.key}`);
    if (of.kind === 'flag') {
      const box = h('input', { type: 'checkbox', id: freshId('flag'), checked: Boolean(item[of.key]), onchange: () => keep(of.key, box.checked || undefined) });
      return h('div', { class: 'field check' }, box, h('label', { htmlFor: box.id }, label));
    }
    if (of.kind === 'choice' || of.kind === 'pocket') {
      const names = of.kind === 'pocket' ? pockets : of.choices.map((one) => [one, say(`panel.parts.choices.${one}`)]);
      const pick = h('select', { onchange: () => keep(of.key, pick.value || undefined) },
        [['', say('panel.parts.usual')], ...names].map(([value, words]) => h('option', { value, selected: value === (item[of.key] ?? '') }, words)));
      return field(label, pick);
    }
    const input = h('input', {
      type: 'text', autocomplete: 'off', maxLength: 300, class: of.kind === 'text' || of.kind === 'holes' ? null : 'short', value: SHOWN[of.kind](item[of.key]),
      onchange: () => {
        const text = input.value.trim();
        const value = READ[of.kind](text, of);
        const bad = value === undefined || (value === null && of.need);
        input.toggleAttribute('aria-invalid', Boolean(bad));
        if (!bad) { keep(of.key, value ?? undefined); return; }
        const told = of.kind === 'length' ? fieldLength : String;
        if (value === null) message(say('panel.parts.needed', { label }));
        else if (of.kind === 'holes') message(say('panel.parts.holesRefused', { value: text }));
        else message(say('table.refused', { value: text, low: told(of.low), high: told(of.high) }));
      },
    });
    return field(label, input, of.kind === 'holes' ? say('panel.parts.holesHint') : null);
  });
}
