"""From a person's act to proof: arm-confirm queue, authority, key, counter."""
