// Shares of the packets lost that are looked at, and acted on.

export const LOSS_CAUTION = 0.1; // also a finding after the flight
export const LOSS_WARNING = 0.25;
