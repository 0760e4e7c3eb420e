// Numbers as a person reads them. The API speaks metric; the page may show US
// units (NIST SP 811, appendix B).

const US = {
  'km/h': ['mph', 0.621371, 1], mm: ['in', 1 / 25.4, 2], m: ['ft', 1 / 0.3048, 1], 't/h': ['ton/h', 1.102311, 0],
  'L/h': ['gal/h', 0.264172, 1], 'kg/ha': ['lb/ac', 0.892179, 0], m2: ['ft²', 10.76391, 2], 't/ha': ['bu/ac', NaN, 0],
};
const NAMES = { Cel: '°C', m2: 'm²', deg: '°' };
const DECIMALS = { 'km/h': 1, m: 2, m2: 2, 't/ha': 1, '%': 0, deg: 0 };

// Pounds in a bushel, legal in the US (USDA; for canola and flax trade use).
const BUSHEL = {
  wheat: 60, barley: 48, oats: 32, rye: 56, maize: 56, soybean: 60, canola: 50, sunflower: 25, sorghum: 56, rice: 45, pea: 60, flax: 56,
};

let us = false;
let bushel = 60;

/** use sets the system ("metric" or "us") and the crop, for bushels. */
export function use(system, crop) {
  us = system === 'us';
  bushel = BUSHEL[crop] ?? 60;
}

const factor = (unit) => (unit === 't/ha' ? 2000 * 1.102311 * 0.404685642 / bushel : US[unit][1]);

/** unit is what a unit is called here. */
export const unitName = (unit) => (us && unit === 'Cel' ? '°F' : us && US[unit] ? US[unit][0] : NAMES[unit] ?? unit ?? '');

/** shown is a metric value in the units that are shown. */
export function shown(v, unit) {
  if (us && unit === 'Cel') return v * 1.8 + 32;
  return us && US[unit] ? v * factor(unit) : v;
}

/** metric is a shown value in metric units. */
export function metric(v, unit) {
  if (us && unit === 'Cel') return (v - 32) / 1.8;
  return us && US[unit] ? v / factor(unit) : v;
}

/** plain is a metric number as shown, without its unit. */
export function plain(v, unit, decimals) {
  const digits = decimals ?? (us && US[unit] ? US[unit][2] : DECIMALS[unit] ?? 0);
  const text = shown(v, unit).toFixed(digits);
  return Number(text) === 0 ? text.replace('-', '') : text.replace('-', '−');
}

/** told is a metric value with its unit. */
export const told = (v, unit, decimals) => `${plain(v, unit, decimals)} ${unitName(unit)}`.trim();

/** span is a time that has passed. */
export function span(seconds) {
  if (seconds < 120) return `${Math.max(0, Math.floor(seconds))} s`;
  if (seconds < 7200) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

/** clock is the time of day of an RFC 3339 date, or a dash. */
export function clock(date) {
  const t = date ? new Date(date) : null;
  return t && !isNaN(t) ? `${String(t.getHours()).padStart(2, '0')}:${String(t.getMinutes()).padStart(2, '0')}` : '–';
}
