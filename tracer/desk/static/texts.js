// Words and numbers as people read them: the catalogue's language, mm or inches, their own notation.

import { DE } from './text_de.js';
import { EN } from './text_en.js';

const MM_PER_INCH = 25.4; // by definition (ISO 31-1)
const CATALOGUES = { en: EN, de: DE };

/** English with every vowel doubled and marks around it: 40 % longer, to see what breaks. */
function stretched(room) {
  if (typeof room === 'string') {
    const parts = room.split(/(\{\w+\})/);
    return `[${parts.map((p) => (p.startsWith('{') ? p : p.replace(/[aeiou]/gi, (v) => `${v}${v}`))).join('')}${'~'.repeat(Math.ceil(room.length * 0.08))}]`;
  }
  return Object.fromEntries(Object.entries(room).map(([k, v]) => [k, stretched(v)]));
}

function kept(name, choices, otherwise) {
  let value = null;
  try { value = localStorage.getItem(`tracer-${name}`); } catch { /* not allowed: as usual */ }
  return choices.includes(value) ? value : otherwise;
}

function keep(name, value) {
  try { localStorage.setItem(`tracer-${name}`, value); } catch { /* lasts as long as the page */ }
}

export const LANGUAGES = Object.keys(CATALOGUES);
const asked = navigator.language?.slice(0, 2);
const language = kept('language', [...LANGUAGES, 'long'], LANGUAGES.includes(asked) ? asked : 'en');
const TEXTS = language === 'long' ? stretched(EN) : CATALOGUES[language];
const locale = navigator.language?.startsWith(language) ? navigator.language : language === 'long' ? 'en' : language;
const unitName = kept('unit', ['mm', 'in'], 'mm');
document.documentElement.lang = language === 'long' ? 'en' : language;

/** What the person chose; a change takes effect when the page is loaded anew. */
export const chosen = { language, unit: unitName, size: kept('size', ['usual', 'large'], 'usual') };
document.documentElement.dataset.size = chosen.size;

export function choose(name, value) {
  keep(name, value);
  location.reload();
}

const find = (path) => path.split('.').reduce((room, key) => room?.[key], TEXTS);

/** Text at a dotted path with its marks filled in. */
export function say(path, values = {}) {
  const text = find(path);
  if (typeof text !== 'string') return path;
  const all = { unit: unitName, ...values };
  return text.replace(/\{(\w+)\}/g, (mark, key) => (key in all ? String(all[key]) : mark));
}

/** True where there is a text at this path. */
export function has(path) {
  return typeof find(path) === 'string';
}

/** A number for people in their own notation, or an en dash. */
export function figure(value, digits = 1) {
  if (value === null || value === undefined || !Number.isFinite(value)) return '–';
  return value.toLocaleString(locale, {
    minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false,
  });
}

/** A number with no more digits than it has, and not more than `most` behind the point. */
export function number(value, most = 3) {
  return value.toLocaleString(locale, { maximumFractionDigits: most, useGrouping: false });
}

/** A moment (seconds since 1970) as day and time. */
export function when(seconds) {
  return new Date(seconds * 1000).toLocaleString(locale, { dateStyle: 'medium', timeStyle: 'short' });
}

/** A length in mm as a number in the person's unit; `digits` are those of mm. */
export function length(mm, digits = 1) {
  if (mm === null || mm === undefined || !Number.isFinite(mm)) return '–';
  return unitName === 'in' ? figure(mm / MM_PER_INCH, digits + 1) : figure(mm, digits);
}

/** A length as it stands in a field: no more digits than were typed or deserved. */
export function fieldLength(mm) {
  if (mm === null || mm === undefined) return '';
  return unitName === 'in' ? number(mm / MM_PER_INCH) : number(mm, 2);
}

/** A length as typed, in mm: 12, 12,5, 12 mm, 1.2 cm, 0.5 in, 1/2"; null when empty, undefined when
 *  unreadable. A bare number is in the person's unit. */
export function parseLength(text) {
  const clean = text.trim().toLowerCase();
  if (clean === '' || clean === '-' || clean === '?') return null;
  const match = /^(.*?)\s*(mm|cm|in|inch|"|″)?$/.exec(clean);
  const value = fraction(match[1].trim().replace(',', '.'));
  if (value === undefined) return undefined;
  const per = { mm: 1, cm: 10 }[match[2] ?? unitName] ?? MM_PER_INCH;
  return Math.round(value * per * 1000) / 1000;
}

/** 3, 3.5, 3/4, 1 3/4. */
function fraction(text) {
  const parts = /^(?:(\d+)\s+)?(\d+)\/(\d+)$/.exec(text);
  if (parts) return Number(parts[1] ?? 0) + Number(parts[2]) / Number(parts[3]);
  const value = Number(text);
  return text !== '' && Number.isFinite(value) ? value : undefined;
}
