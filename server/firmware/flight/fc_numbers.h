/* Every number of the example: the invented Sandpiper's. Change them for your vehicle; the twin's are the same. */
#ifndef FC_NUMBERS_H
#define FC_NUMBERS_H

#define FC_CYCLE_S 0.01F
#define FC_CYCLE_MS 10u
#define FC_GRAVITY_M_S2 9.80665F

/* The day: temperature at the pad, and how air changes with height (US Standard Atmosphere 1976). */
#define FC_PAD_TEMPERATURE_K 291.0F
#define FC_LAPSE_K_M 0.0065F
#define FC_PRESSURE_EXPONENT 0.190263F
#define FC_GAS_CONSTANT_J_KG_K 287.053F

/* Still on the pad, and how fast it learns there. */
#define FC_QUIET_M_S2 1.5F
#define FC_QUIET_RAD_S 0.15F
#define FC_LEVELING 0.01F
#define FC_PAD_PRESSURE_PER_S 0.2F
#define FC_PAD_FIX_PER_S 0.1F

/* The filter: bandwidths of its corrections, and how hard a push halves the trust in the pressure port. */
#define FC_ASCENT_RAD_S 0.8F
#define FC_DESCENT_RAD_S 1.8F
#define FC_HORIZONTAL_RAD_S 0.5F
#define FC_FIX_S 0.2F
#define FC_TRUST_M_S2 60.0F
#define FC_CLIMB_S 1.0F
#define FC_CANOPY_LEVELING_PER_S 0.4F

/* Phases. */
#define FC_STARTUP_S 2.0F
#define FC_LIFTOFF_M_S2 25.0F
#define FC_LIFTOFF_HOLD_S 0.06F
#define FC_BURNOUT_M_S2 2.0F
#define FC_BURNOUT_HOLD_S 0.05F
#define FC_APOGEE_HOLD_S 0.06F
#define FC_EARLIEST_DEPLOYMENT_S 2.0F
#define FC_LATEST_DEPLOYMENT_S 14.0F
#define FC_CHARGE_S 0.6F /* the charge's puff is no height */
#define FC_STILL_RAD_S 0.2F
#define FC_STILL_M_S 1.0F
#define FC_STILL_S 3.0F

/* Roll control: the gate, and the gains from what the fins do (rad/s2 a Pa and rad). */
#define FC_GATE_M 110.0F
#define FC_GATE_M_S 15.0F
#define FC_ROLL_RAD_S 7.0F
#define FC_ROLL_DAMPING 0.8F
#define FC_ROLL_LIMIT_RAD 0.139626F
#define FC_FIN_AUTHORITY 0.391683F
#if FC_FAULT == 8
#undef FC_FIN_AUTHORITY
#define FC_FIN_AUTHORITY 0.00683616F
#endif
#define FC_LEAST_PA 100.0F
#define FC_FIN_TRAVEL_RAD 0.261799F
#define FC_FIN_RAD_S 7.0F
#define FC_SWEEP_MS 400u

/* Side motors, all invented: from where on they may push, how far it must lean and may lean, what a push looks like. */
#define FC_SIDE_GATE_M 30.0F
#define FC_SIDE_GATE_M_S 25.0F  /* slower, one push would throw the nose past the vertical */
#define FC_SIDE_CLIMB_M_S 10.0F
#define FC_SIDE_LEAN_COSINE 0.939693F /* 20 degrees */
#define FC_SIDE_LOST_COSINE 0.258819F /* 75 degrees: too far over for a push to be known good */
#define FC_SIDE_ASIDE_M_S 5.0F        /* it must go the way it leans, or it is only swinging */
#define FC_SIDE_BACK_RAD_S 0.5F       /* faster it is on its way back already */
#define FC_SIDE_ALIGNED 0.8F          /* cosine between its push and the wanted way */
#define FC_SIDE_DELAY_S 0.04F
#define FC_SIDE_BURN_S 0.2F
#define FC_SIDE_LATE_S 0.03F
#define FC_SIDE_BETWEEN_S 0.8F /* longer than delay, burn and lateness: never two at once */
#define FC_SIDE_SEEN_RAD_S 0.25F /* within two cycles; a motor's own is 0.44 */

/* Commands. */
#define FC_ARM_EXPIRES_MS 60000u
#define FC_EFFECT_MS 300u

#endif
