// How closely the slides there are for each find are known by the answers so far: the model of stats/detection.py,
// all sounds taken together, with normal draws for those of a beta and a Poisson distribution.
const howCloselyKnown = (() => {
  "use strict";
  const DRAWS = 1500;
  const WIDEST = 2;  // known to within a factor of three; more widely, nothing is said
  // Standard normal draws, the same at each visit: Box and Muller over a linear congruence (Numerical Recipes' constants).
  const normals = (() => {
    let seed = 1;
    const uniform = () => { seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0; return (seed + 0.5) / 4294967296; };
    const normal = () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
    return Array.from({ length: DRAWS }, () => Array.from({ length: 4 }, normal));
  })();
  const logit = (p) => Math.log(p / (1 - p)), chance = (x) => 1 / (1 + Math.exp(-x));
  const sum = (rows, of) => rows.reduce((total, row) => total + of(row), 0);

  // The mode of intercept and slope of misses over logits, and the information there: Newton's way, in short steps.
  const misses = (changes, [[mean, sd], [meanSlope, sdSlope]]) => {
    let at = mean, slope = meanSlope, aa = 0, as = 0, ss = 0;
    for (let pass = 0; pass < 60; pass++) {
      let da = (at - mean) / sd ** 2, ds = (slope - meanSlope) / sdSlope ** 2;
      aa = 1 / sd ** 2; as = 0; ss = 1 / sdSlope ** 2;
      for (const [x, y] of changes) {
        const p = chance(at + slope * x), v = p * (1 - p);
        da += p - y; ds += (p - y) * x; aa += v; as += v * x; ss += v * x * x;
      }
      const det = aa * ss - as * as, by = (ss * da - as * ds) / det, turn = (aa * ds - as * da) / det;
      const step = Math.min(1, 1 / Math.max(Math.abs(by), 4 * Math.abs(turn), 1e-9));
      at -= step * by; slope -= step * turn;
    }
    return { at, slope, aa, as, ss };
  };

  // model: within, finds, least_finds, changes as [logit, number], priors, convex. heard: [item, whether a slide] of each
  // clear verdict. Gives words; none while nothing can be said.
  return (model, heard) => {
    const rows = model ? heard.filter(([one]) => !one.again) : [];
    const finds = rows.filter(([one]) => one.drawn_from === "slide").map(([one, y]) => [one.stands_for, Number(y)]);
    const changes = rows.filter(([one]) => one.drawn_from === "transition")
      .map(([one, y]) => [logit(Math.min(Math.max(one.chance, 1e-4), 1 - 1e-4)), Number(y)]);
    if (!finds.length || !changes.length) return "";
    const weight = sum(finds, ([w]) => w), worth = weight ** 2 / sum(finds, ([w]) => w * w);
    const right = (sum(finds, ([w, y]) => w * y) / weight * worth + 0.5) / (worth + 1);
    const { at, slope, aa, as, ss } = misses(changes, model.priors);
    const spread = Math.sqrt(ss / (aa * ss - as * as)), along = -as / Math.sqrt(ss * (aa * ss - as * as));
    const rest = Math.sqrt(1 / ss), error = Math.sqrt(right * (1 - right) / (worth + 2));
    const expected = (a, b) => sum(model.changes, ([x, number]) => number * chance(a + b * x));
    const made = normals.map(([u, v]) => expected(at + spread * u, slope + along * u + rest * v));
    // By as much as their mean lies above the mode's own the number missed is too high.
    const unbiased = (expected(at, slope) * DRAWS / sum(made, (missed) => missed)) ** model.convex;
    const drawn = normals.map(([, , w, z], draw) => {
      const missed = unbiased * made[draw];
      const found = Math.min(Math.max(right + error * w, 0), 1);
      return found + Math.max(missed + Math.sqrt(missed) * z, 0) / model.finds;
    }).sort((x, y) => x - y);
    const within = Math.sqrt(drawn[Math.floor(0.975 * DRAWS)] / drawn[Math.floor(0.025 * DRAWS)]) - 1;
    if (within > WIDEST) return "How many slides there are for each find: too few are judged to say yet.";
    const percent = (share) => `${(100 * share).toFixed(0)} %`;
    const said = `How many slides there are for each find is known to within about ${percent(within)}; wanted: ${percent(model.within)}.`;
    const reached = within <= model.within && finds.length >= model.least_finds;
    return reached ? `${said} That is reached: you may save and stop here.` : said;
  };
})();
