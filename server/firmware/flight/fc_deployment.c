/* Whatever fires. There is one place that sends a current, fc_fire, and it asks the link's output gate first: in a
 * rehearsal the gate says no and remembers what was ordered. */
#include "fc.h"
#include "fc_numbers.h"

bool fc_has_continuity(unsigned channel)
{
    return ((fc_port_continuity() >> channel) & 1u) != 0u;
}

void fc_arm(fc_computer *c, unsigned channel, bool lasts)
{
    fc_channel *it = &c->flight.channel[channel];
    it->armed = true;
    it->lasts = lasts;
    it->armed_ms = c->now_ms;
}

void fc_safe(fc_computer *c, unsigned channel)
{
    c->flight.channel[channel].armed = false;
}

/* Inhibit the lateral channels; an armed one does not outlive it. Recovery is the vehicle's own. */
void fc_inhibit(fc_computer *c)
{
    unsigned i;
    c->flight.inhibited = true;
    for (i = 0; i < FC_LATERALS; i++) {
        fc_safe(c, i);
    }
}

/* Send the current through an armed channel; true when it went. */
bool fc_fire(fc_computer *c, unsigned channel)
{
    fc_channel *it = &c->flight.channel[channel];
    bool armed = it->armed;
    it->armed = false;
    if (!armed || !bh_may_fire(&c->vehicle, channel)) {
        return false;
    }
    fc_port_fire(channel);
    it->fired = true;
    return true;
}

/* In the air recovery is armed for good, whatever the continuity circuit says of it. */
void fc_arm_recovery(fc_computer *c)
{
    unsigned i;
    for (i = FC_LATERALS; i < FC_CHANNELS; i++) {
        fc_arm(c, i, true);
    }
}

void fc_deploy(fc_computer *c)
{
    unsigned i;
    c->flight.deployed = true;
    for (i = FC_LATERALS; i < FC_CHANNELS; i++) {
        (void)fc_fire(c, i);
    }
}

void fc_let_arming_expire(fc_computer *c)
{
    unsigned i;
    for (i = 0; i < FC_CHANNELS; i++) {
        const fc_channel *it = &c->flight.channel[i];
        if (it->armed && !it->lasts && c->now_ms - it->armed_ms >= FC_ARM_EXPIRES_MS) {
            fc_safe(c, i);
        }
    }
}
