"""What people must know before they go near a hot pile. Local codes and licensed practice decide, always."""

from __future__ import annotations

from shared.heat.report import RiskLevel

LOCAL = "Local codes and licensed practice decide; these lines do not replace them."

# common practice, no source, except the dust figure: Health and Safety Executive (UK), "Composting"
OPENING = (
    (
        "Before a hot pile is opened: stand upwind; steam from a core over 60 °C burns; dust and spores beside a turn "
        "can be 10 to 1 000 times those of other air: damp the pile and wear a fitted mask. People with asthma or a weak "
        "immune system stay away."
    ),
    (
        "Never alone beside machinery; in pits and closed bays ammonia, carbon dioxide, hydrogen sulphide and carbon "
        "monoxide gather."
    ),
)
HOT = (
    (
        "Over 71 °C: turn now with water at hand, check moisture, and measure by hand at several places; one probe does not "
        "see every hot spot."
    ),
)
FIRE = (
    (
        "Smoke, venting or a burnt smell: do not open the pile without water and a machine at hand, air feeds it; call the "
        "fire service first. Nobody walks on the pile: there may be hollows under the crust."
    ),
    (
        "A reading that falls or fails at high temperature is no proof of cooling: a burnt sensor or a dry hollow reads "
        "wrong. Check by hand from the side."
    ),
)


def cautions(level: RiskLevel, opens_pile: bool) -> list[str]:
    """``opens_pile``: someone is being told to turn or open it."""
    lines: list[str] = []
    if level == "danger":
        lines += FIRE
    if level == "high":  # in danger nobody is sent to turn it
        lines += HOT
    if opens_pile or level != "none":
        lines += OPENING
    return [*lines, LOCAL] if lines else []
