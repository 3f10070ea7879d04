// One reading held against what is asked of its joint: the same rules as frostshift_rules/reading_check.py, for an open page
// without a network. A test holds the two against each other.
"use strict";

// Steel, least, met from, most: in °C, null where unknown. Sense: measured, at_least, below.
const readingCheck = (steel, sense, least, met, most) => {
  const SAME_K = 1e-6;
  if (least !== null && (sense === "measured" ? steel < least - SAME_K : sense === "below" && steel <= least + SAME_K)) {
    return "below";
  }
  if (most !== null && (sense === "measured" ? steel > most + SAME_K : sense === "at_least" && steel >= most - SAME_K)) {
    return "above";
  }
  if (least === null) return "no_minimum";
  if (sense === "below") return "minimum_not_shown";
  if (met === null || steel < met - SAME_K) {
    return sense === "at_least" && steel < least - SAME_K ? "minimum_not_shown" : "not_settled";
  }
  if (most === null) return "no_maximum";
  return sense === "at_least" ? "maximum_not_shown" : "both_kept";
};
