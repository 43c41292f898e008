"""What every report says of itself."""

CAUTIONS = (
    "These figures describe one practice's own records. They show association, not cause: teeth were not assigned "
    "to treatments by chance.",
    "They are no advice for any one patient. Follow local standards, licensed judgement and privacy law.",
    "Patients who stop coming are followed only to their last visit; what became of their teeth later is not known.",
)
