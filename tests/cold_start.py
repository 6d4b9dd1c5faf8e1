"""The module's resistance at start-up in the coldest room, by hand."""


def cold_start_ohm(config, plant):
    """Return it [ohm]: published polynomial of the resistivity (from memory), R being at 25 °C."""

    def rho(temp_k):
        return 5112 + 163.4 * temp_k + 0.6279 * temp_k**2

    return plant.module.resistance_ohm * rho(config.climate.coldest_c + 273.15) / rho(298.15)
