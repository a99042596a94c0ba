"""Why the nose went where it went after the rail: an equation with stiffness of either sign, its fit, a cause left out."""
