// Every word the page shows, in one place. A translation replaces this file.
// `{name}` marks are filled in by `say`.

const TEXTS = {
  desk: 'Desk',
  steps: { photos: 'Photos', outlines: 'Outlines', panel: 'Panel', files: 'Files' },
  stepsLabel: 'Steps of the job',
  jobs: 'Jobs in this folder',
  noJobs: 'No job here yet.',
  newJob: 'New job',
  toJobs: 'All jobs',
  open: 'Open {name}',

  drop: {
    title: 'Lay the photos here',
    text: 'Tools on a flat sheet, scale cards around them, one photo from above or three to five from around. JPEG, HEIC or PNG as the phone saved them.',
    choose: 'Choose photos',
    take: 'Take a photo',
    list: 'Photos of this lay',
    none: 'No photo yet.',
    remove: 'Take {name} out',
    sending: '{percent} % sent',
    sent: '{mb} MB',
    name: 'Name of the job',
    height: 'Height of tools not measured yet (mm)',
    heightHint: 'Leave empty if unknown; heights can be typed per tool later.',
    card: 'Printed card, long x short side (mm)',
    cardHint: 'Measure between the outer edges of the board.',
    cables: 'Keep loose cables as outlines',
    add: 'Add to the job as a further lay',
    go: 'Trace',
    unreadableSize: 'Write the card size as two lengths, for example 168.0 x 112.0.',
    unreadableHeight: 'Write the height in mm, for example 18.5.',
    needName: 'Give the job a name.',
    needPhoto: 'Choose at least one photo.',
  },
  phone: {
    open: 'Phone',
    title: 'Take the photo with a phone',
    text: 'The phone must be on the same network. Scan the picture or open {address} and type the code. A code works once.',
    code: 'Code',
    fresh: 'New code',
    close: 'Close',
    caution: 'The connection is not encrypted: use it on a network you trust.',
  },
  run: {
    waiting: 'Waiting to start',
    running: '{step}',
    stop: 'Stop',
    stopped: 'Stopped. Nothing was changed.',
    failed: 'Stopped with an error',
    again: 'Run again',
    done: 'Up to date',
    stale: 'The outlines are older than the inputs.',
    label: 'Progress',
  },
  line: {
    lost: 'The desk does not answer. What was confirmed is kept; trying again.',
    anew: 'The desk was started anew and does not know this page. Open the address it printed; changes that are not kept yet stay here until then.',
    back: 'Connected again.',
    saved: 'Kept',
    saving: 'Keeping ...',
    unsaved: 'Not kept yet',
  },

  picture: {
    label: 'Photo {name}. Arrow keys move the view, plus and minus zoom, 0 shows all.',
    pick: 'Photo',
    fit: 'Show all',
    closer: 'Closer',
    farther: 'Farther',
    seen: 'Edge as seen',
    true: 'Outline seen straight down',
    cards: 'Cards',
    show: 'Show',
    weak: 'edge uncertain',
    legend: 'Line as seen in the photo; dashed: the tool seen straight down, lying on the sheet. The two part where a tool is tall.',
    card: 'Card {number}: {rms} px',
    cardOut: 'Card {number} left out: {reason}',
    camera: 'Camera {height} mm above the sheet, {tilt}° tilted. Cards fit to {rms} px.',
  },
  tools: {
    label: 'Correcting',
    look: 'Look', lookHint: 'Drag to move the view, click a tool to choose it.',
    edge: 'Edge', edgeHint: 'Draw along the true edge; the line snaps to the strongest edge beside it and replaces the stretch of outline there.',
    add: 'Add', addHint: 'Paint over what belongs to the tool.',
    take: 'Take away', takeHint: 'Paint over what does not belong to a tool.',
    split: 'Split', splitHint: 'Draw a line along which two tools part.',
    merge: 'Join', mergeHint: 'From a point on one piece to a point on the other: both are one tool.',
    drop: 'Drop', dropHint: 'Click on what is not a tool.',
    keep: 'Keep', keepHint: 'Click on a tool that was missed.',
    cable: 'Cable', cableHint: 'Click on a loose cable.',
    width: 'Brush width (px)',
    reach: 'Snap within (px)',
    snap: 'Snap to the edge',
    keys: 'Keyboard: arrows move the cross, Shift for larger steps, Space sets a point, Enter finishes, Esc cancels.',
    undo: 'Undo', redo: 'Redo',
    undoWhat: 'Undo: {what}', redoWhat: 'Redo: {what}',
    step: 'Step of the arrow keys (px)',
    cursor: 'Cross at {x}, {y}',
    pointSet: 'Point {n} set',
    snapped: 'Snapped to the edge.',
    noEdge: 'No clear edge there; the line was taken as drawn.',
    chosen: '{name} chosen',
  },
  edits: {
    cell: '{column} of {subject}', cells: '{subject} cells', edge: 'edge pulled', add: 'region added', take: 'region taken away',
    split: 'split', merge: 'joined', drop: 'dropped', keep: 'kept', cable: 'marked as cable',
    setting: 'setting {subject}', move: '{subject} moved', pocket: '{subject} changed', withdraw: 'correction withdrawn', plan: 'panel: {subject}',
  },

  table: {
    label: 'Tools',
    empty: 'No tool was found in this lay.',
    caption: 'Names and heights: type, or paste cells from a spreadsheet. Arrow keys, Tab and Enter move.',
    columns: {
      id: 'No.', name: 'Name', height_mm: 'Height mm', depth_mm: 'Depth mm', mass_kg: 'Mass kg',
      size: 'Size mm', sigma: '± mm', confidence: 'Sure',
    },
    cell: '{column} of {id}',
    drop: 'Drop {name}',
    typed: 'typed', default: 'default', measured: 'measured', learned: 'learned', assumed: 'assumed 0',
    sources: 'Height {source}',
    refused: '"{value}" is not a number from {low} to {high}.',
    pasted: '{count} cells pasted.',
    show: 'Show {name} in the photo',
    cut: 'cut by the frame',
    cable: 'cable',
    percent: '{n} %',
  },
  checks: {
    label: 'Findings',
    none: 'Nothing to remark.',
    fail: 'Must be mended', warn: 'Look at this', note: 'Note',
    counts: '{fail} to mend, {warn} to look at, {note} notes',
    show: 'Show it',
  },
  settings: {
    label: 'Settings of the lay',
    default_height_mm: 'Height where none is typed (mm)',
    camera_height_mm: 'Measured camera height (mm)',
    card_size_mm: 'Printed card, long x short side (mm)',
    keep_cables: 'Keep loose cables',
    corrections: 'Corrections on this photo',
    noCorrections: 'None.',
    withdraw: 'Withdraw',
  },
  conflict: {
    title: 'Changed elsewhere meanwhile',
    text: '{what} is {theirs} by now; you typed {mine}.',
    mine: 'Use mine',
    theirs: 'Leave it',
    empty: 'empty',
  },
  panel: {
    label: 'Panel {w} by {h} mm seen from the front. Arrow keys move the chosen pocket, square brackets turn it; without one they move the view.',
    intro: 'No panel yet. It is made from the outlines as they lie in the photo; pockets can then be moved, turned and given depths here.',
    make: 'Make the panel',
    pockets: 'Pockets', leftOut: 'Left out of the panel', putBack: 'Put back', leave: 'Leave this tool out',
    hint: 'Drag a pocket, or choose it and use the arrow keys; the round handle or the keys [ and ] turn it. It snaps to rows, middles and equal gaps; hold Alt to move freely.',
    step: 'Step (mm)', x: 'Middle x (mm)', y: 'Middle y (mm)', turn: 'Turned (°)', depth: 'Depth (mm)',
    floor: 'Floor', notch: 'Finger notch', fit: 'Fit', text: 'Label',
    floors: { rules: 'as proposed', through: 'through to the base', part: 'part depth' },
    notchs: { rules: 'as proposed', none: 'none' },
    fits: { rules: 'as proposed', press: 'press', snug: 'snug', easy: 'easy', loose: 'loose' },
    facts: 'Tool {height} mm high, cut {depth} mm deep, stands out {proud} mm. Margin {margin} mm, fit {fit} mm a side.',
    through: 'through', deep: '{mm} mm deep',
    gaps: 'Gaps', gap: '{mm} mm to {name}', gapBad: '{mm} mm to {name}: less than {limit} mm', rim: 'the rim',
    moved: 'Put at {x}, {y}', size: '{w} × {h} mm',
    bay: 'Bay', kind: 'Kind', width_mm: 'Width (mm)', height_mm: 'Height (mm)', clear_depth_mm: 'Clear depth (mm)',
    kinds: { drawer: 'drawer', wall: 'wall' }, useBay: 'Use this bay', bothSides: 'Type both width and height of the bay, or neither.',
    way: 'Places', ways: { photographed: 'as photographed', tidied: 'tidied into rows' },
  },
  files: {
    label: 'Files',
    none: 'No files yet. Trace photos first.',
    all: 'Download all',
    get: 'Download {name}',
    preview: 'Preview of {name}',
    show: 'Show {name}',
    kinds: {
      'image/vnd.dxf': 'drawing for CAD and cutting', 'image/svg+xml': 'drawing', 'application/pdf': 'print',
      'text/csv': 'list', 'application/json': 'data', 'image/jpeg': 'picture', 'image/png': 'picture', 'text/plain': 'text',
    },
    cut: 'Make cutting files',
    cautions: 'Before cutting',
    profile: 'Machine',
  },
  errorUnknown: 'Something went wrong on the page. Reload it; what was confirmed is kept.',
  close: 'Close',
  mm: '{v} mm',
};

/** Text at a dotted path with its marks filled in. */
export function say(path, values = {}) {
  const text = path.split('.').reduce((room, key) => room?.[key], TEXTS);
  if (typeof text !== 'string') return path;
  return text.replace(/\{(\w+)\}/g, (mark, key) => (key in values ? String(values[key]) : mark));
}

/** True where there is a text at this path. */
export function has(path) {
  return typeof path.split('.').reduce((room, key) => room?.[key], TEXTS) === 'string';
}

/** A number for people in their own notation, or an en dash. */
export function figure(value, digits = 1) {
  if (value === null || value === undefined || !Number.isFinite(value)) return '–';
  return value.toLocaleString(undefined, {
    minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false,
  });
}
