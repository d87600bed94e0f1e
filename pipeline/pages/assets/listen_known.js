// How closely the slides there are for each find are known by the answers so far: the model of stats/detection.py,
// all sounds taken together.
const howCloselyKnown = (() => {
  "use strict";
  const DRAWS = 1500;
  const WIDEST = 2;  // known to within a factor of three; more widely, nothing is said
  // Random draws, the same at each visit, over a linear congruence (Numerical Recipes' constants): normal by Box and Muller,
  // gamma by Marsaglia and Tsang (ACM Transactions on Mathematical Software 26, 2000), Poisson by inversion (Devroye,
  // Non-Uniform Random Variate Generation, 1986) where the mean is small.
  const randomness = () => {
    let seed = 1;
    const even = () => { seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0; return (seed + 0.5) / 4294967296; };
    const normal = () => Math.sqrt(-2 * Math.log(even())) * Math.cos(2 * Math.PI * even());
    const gamma = (shape) => {
      if (shape < 1) return gamma(shape + 1) * even() ** (1 / shape);
      const d = shape - 1 / 3, c = 1 / Math.sqrt(9 * d);
      for (;;) {
        const x = normal(), v = (1 + c * x) ** 3;
        if (v > 0 && Math.log(even()) < x * x / 2 + d - d * v + d * Math.log(v)) return d * v;
      }
    };
    return { even, normal, gamma };
  };
  const poisson = (mean, even, normal) => {
    if (mean > 50) return Math.max(mean + Math.sqrt(mean) * normal, 0);
    let count = 0, chance = Math.exp(-mean), below = chance;
    while (even > below && count < 200) {
      count += 1;
      chance *= mean / count;
      below += chance;
    }
    return count;
  };
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
    const right = sum(finds, ([w, y]) => w * y) / weight * worth;
    const { at, slope, aa, as, ss } = misses(changes, model.priors);
    const spread = Math.sqrt(ss / (aa * ss - as * as)), along = -as / Math.sqrt(ss * (aa * ss - as * as));
    const rest = Math.sqrt(1 / ss);
    const expected = (a, b) => sum(model.changes, ([x, number]) => number * chance(a + b * x));
    const { even, normal, gamma } = randomness();
    const draws = Array.from({ length: DRAWS }, () => {
      const u = normal(), v = normal(), good = gamma(right + 0.5), bad = gamma(worth - right + 0.5);
      const missed = expected(at + spread * u, slope + along * u + rest * v);
      return { found: good / (good + bad), missed, even: even(), normal: normal() };
    });
    // By as much as their mean lies above the mode's own the number missed is too high.
    const unbiased = (expected(at, slope) * DRAWS / sum(draws, (one) => one.missed)) ** model.convex;
    const within = (factor) => {
      const drawn = draws.map((one) => one.found + poisson(factor * one.missed, one.even, one.normal) / model.finds);
      drawn.sort((x, y) => x - y);
      return Math.sqrt(drawn[Math.floor(0.975 * DRAWS)] / drawn[Math.floor(0.025 * DRAWS)]) - 1;
    };
    // Of few answers the correction itself is hardly known: whether they are too few is asked without it.
    if (within(1) > WIDEST) return "How many slides there are for each find: too few are judged to say yet.";
    const closely = within(unbiased);
    const percent = (share) => `${(100 * share).toFixed(0)} %`;
    const said = `How many slides there are for each find is known to within about ${percent(closely)}; wanted: ${percent(model.within)}.`;
    const reached = closely <= model.within && finds.length >= model.least_finds;
    return reached ? `${said} That is reached: you may save and stop here.` : said;
  };
})();
