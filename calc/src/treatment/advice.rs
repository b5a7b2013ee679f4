//! Care around chemicals, and what is known of iodophors.

use super::Agent;

/// A statement with where it was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Note {
    /// The statement.
    pub text: &'static str,
    /// Where it was read.
    pub source: &'static str,
}

const ALWAYS: Note = Note {
    text: "this is arithmetic, not permission: the label, the prescribing veterinarian, the discharge permit and local rules decide",
    source: "common practice, no source",
};

/// Care to show with every dose of an agent.
#[must_use]
pub const fn safety(agent: Agent) -> &'static [Note] {
    match agent {
        Agent::Formalin => &[
            ALWAYS,
            Note {
                text: "formalin can cause cancer and burns: gloves, eye protection, moving air; keep the vapour below 0.75 ppm over 8 hours and 2 ppm over 15 minutes",
                source: "29 CFR 1910.1048, 2015 edition; check the current one",
            },
            Note {
                text: "do not use formalin that was colder than 40 °F (4.4 °C) or has a white deposit",
                source: "21 CFR 529.1030, 2015 edition; check the current one",
            },
            Note {
                text: "write down the amount for the discharge record, even of a small station",
                source: "40 CFR 122.24, 2015 edition; check the current one",
            },
        ],
        Agent::HydrogenPeroxide => &[
            ALWAYS,
            Note {
                text: "35 % peroxide burns skin and eyes and feeds fire: gloves, goggles, nothing that burns nearby, never back into the bottle",
                source: "common practice, no source",
            },
            Note {
                text: "write down the amount for the discharge record, even of a small station",
                source: "40 CFR 122.24, 2015 edition; check the current one",
            },
        ],
    }
}

/// Iodophor baths, as information only: no dose is computed and none is refused.
pub const IODOPHOR: &[Note] = &[
    Note { text: "eggs: 100 mg/L iodine for 10 minutes is the usual bath", source: "LRPI" },
    Note {
        text: "eggs in hardening: 50 mg/L iodine for 30 minutes",
        source: "agency list from memory; check before use",
    },
    Note {
        text: "walleye and pike: 90 minutes after fertilization it did not change hatch and removed active virus; some other timings reduced hatch",
        source: "USGS-VHS",
    },
    Note {
        text: "walleye, 100 mg/L for 30 minutes straight after fertilization: no loss in one group, much loss in another; try it on a small lot first",
        source: "WAEI2",
    },
    Note { text: "muskellunge: 13 to 100 mg/L for 10 minutes neither harmed nor helped", source: "MUSKI" },
    Note { text: "rainbow trout, eyed: harm from 800 mg/L on", source: "RBTI" },
];
