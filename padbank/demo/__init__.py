"""The invented evening: sounds from equations, two shows, the scenario that ties them."""
