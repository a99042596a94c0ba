// When the second of two acts is possible, and how long still. Pure; time is an argument: station seconds (rx).

/**
 * May the second act begin now?
 * @param {{earliest_confirm_rx:number, expires_rx:number}} ready the station's reply to the first act
 * @returns {"early"|"open"|"late"}
 */
export function confirmWindow(ready, rx) {
  if (rx < ready.earliest_confirm_rx) return "early";
  return rx <= ready.expires_rx ? "open" : "late";
}

/** How long the second act is still possible, in words that no time-out of the vehicle shares. */
export function countdown(ready, rx) {
  if (confirmWindow(ready, rx) === "early") return `Hold opens in ${(ready.earliest_confirm_rx - rx).toFixed(1)} s`;
  return `${Math.max(0, ready.expires_rx - rx).toFixed(1)} s left to confirm`;
}
