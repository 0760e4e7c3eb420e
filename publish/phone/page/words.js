// Words for what the API names. To tell a new thing, add it here.

export const RANK = { high: 'Urgent', medium: 'Attention', low: 'Note' };

export const ACTIVITY = {
  unknown: 'Activity not known', off: 'Engine off', idle: 'Standing', travelling: 'Travelling', cutting: 'Cutting', turning: 'Turning',
  waiting: 'Waiting', unloading: 'Unloading', blocked: 'Blocked',
};

/** What is wrong, in a sentence of five words at most, by the prompt's symptom. */
export const SYMPTOM = {
  'rotor-sag': 'Rotor slows in the crop', 'engine-load': 'Engine works too hard', 'separation-loss': 'Separation loss is high',
  'cleaning-loss': 'Cleaning loss is high', 'crop-loss': 'Crop loss is high', 'header-loss': 'Header loses grain',
  'broken-grain': 'Too much broken grain', trash: 'Trash in the tank', unthreshed: 'Heads are left unthreshed', returns: 'Returns are high',
  'uneven-feed': 'Feeding is uneven', 'spare-capacity': 'Room for more crop',
};

export const symptomName = (s) => (s ?? '').replaceAll('-', ' ');

export const REPLY = { done: 'Done', 'not-possible': 'Not possible', later: 'Later', 'put-back': 'Put back' };

export const OUTCOME = { better: 'Better', worse: 'Worse', 'no clear change': 'No clear change', 'could not judge': 'Could not judge' };
export const OUTCOME_SHAPE = { better: 'better', worse: 'worse', 'no clear change': 'same', 'could not judge': 'unknown' };

/** Why there is no number. */
export const QUALITY = {
  good: 'good', stale: 'old', missing: 'not heard', 'not-available': 'no data', error: 'sensor fault', 'out-of-range': 'not possible',
};
export const quality = (q) => QUALITY[q] ?? (q || 'not heard').replaceAll('-', ' ');

export const BASIS = { 'grain-flow': 'from grain flow', power: 'from power', 'speed-width': 'from speed', none: 'not known' };

export const WHY = {
  'new-crop': 'This crop is new.', 'new-field': 'This field is new.', weather: 'The grain got wetter or drier.', 'twice-a-day': 'The last one is hours old.',
  change: 'It tells what the last change did.', choice: 'What to do next depends on it.',
};

/** States of a line of the day that are worth a word. */
export const STATE = {
  active: 'still on', over: '', open: 'open', done: 'done', later: 'later', 'not-possible': 'not possible', expired: 'not answered', gone: 'no longer needed',
  moved: 'work went on', other: 'something else was set', setup: 'set up anew', own: 'your own change', prompt: 'as advised', back: 'put back',
  asked: 'wanted', withdrawn: 'no longer wanted', told: '',
};

/** Alarms that ask for nothing at once make no sound. */
export const SILENT = new Set(['signal-stuck', 'signal-implausible', 'clock-unsure', 'broker-away', 'limit-holding', 'signal-faulty']);
