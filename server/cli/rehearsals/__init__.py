"""Parts of `blockhouse rehearse`: at a cable, a flight flown again, how builds have done."""
