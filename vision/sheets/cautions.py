"""The cautions every sheet and page carries."""

CAUTION = (
    "Measurements from film are estimates. They guide a coach's look at the film and do not replace it, and "
    "they are not a basis for medical or return-to-play decisions. Contact technique is taught under the "
    "rules and the supervision of qualified staff. Film of people, minors above all, is private: it stays on "
    "this machine unless you move it; follow the school's and the conference's rules on film exchange and "
    "consent."
)
