//! The usual cautions, in one place for every page that carries them. Common practice, no source.

/// For whom and under whose eyes.
pub const CAUTIONS: [&str; 9] = [
    "For training models and consenting volunteers, under a licensed supervisor.",
    "Ask for consent each session. Stop on request, and at once on pain.",
    "Not over suspected fracture, osteoporosis, infection, tumour, recent surgery, implants or inflamed joints, nor with signs of nerve or vessel trouble.",
    "Not with upper-neck instability, dizziness, blood thinners or late pregnancy, unless the supervisor agrees.",
    "Propped on the elbows only if bending backward is comfortable.",
    "A blank result is never a reason to press harder.",
    "Ceilings are the lab's own: set them before the first session.",
    "Anything that touches a person is fed from a battery or a medically isolated supply; bench supplies are for models only.",
    "Local rules and licensed judgement come first. What is measured is no diagnosis.",
];
