//! The three characters people answer with.

use crate::alarm::event::{Code, EventId};
use crate::alarm::moment::Moment;
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// No look-alikes: neither O and 0 nor I and 1, nor S and 5, B stays for its own sake.
pub const ALPHABET: &[u8; 27] = b"ABCDEFGHJKMNPQRTUVWXY346789";
/// A code is not given out again for this long after its event closed.
pub const REUSED_AFTER: Span = Span::from_hours(7 * 24);
/// Would be taken for a command.
const NEVER: [&str; 1] = ["ACK"];

/// Codes in use and lately used.
#[derive(Clone, Debug, Default)]
pub struct Codes {
    /// Taken codes; with the moment they are free again once their event has closed.
    taken: BTreeMap<Code, Option<Moment>>,
}

impl Codes {
    /// A code for an event: always the same for the same seed, event and codes taken.
    pub fn give(&mut self, seed: u64, event: EventId, now: Moment) -> Code {
        self.taken.retain(|_, free_at| free_at.is_none_or(|at| at > now));
        let mut state = seed ^ event.0.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        // 19,682 codes; with half of them taken a thousand tries fail once in 10^300 cases.
        for _ in 0..1000 {
            let code = spell(next(&mut state));
            if !NEVER.contains(&code.0.as_str()) && !self.taken.contains_key(&code) {
                self.taken.insert(code.clone(), None);
                return code;
            }
        }
        self.take_any(now)
    }

    /// Every code tried is taken: the first free one, or else the one that is free soonest.
    fn take_any(&mut self, now: Moment) -> Code {
        let free = (0..19_683).map(spell).find(|code| !self.taken.contains_key(code));
        let soonest = || {
            let closed = self.taken.iter().filter_map(|(code, at)| at.map(|at| (at, code)));
            closed.min().map(|(_, code)| code.clone())
        };
        let code = free.or_else(soonest).unwrap_or_else(|| spell(now.0));
        self.taken.insert(code.clone(), None);
        code
    }

    /// Marks a code as taken, as read back from the store.
    pub fn take(&mut self, code: Code, free_at: Option<Moment>) {
        self.taken.insert(code, free_at);
    }

    /// The event of a code has closed.
    pub fn release(&mut self, code: &Code, now: Moment) -> Moment {
        let free_at = now.after(REUSED_AFTER);
        self.taken.insert(code.clone(), Some(free_at));
        free_at
    }

    /// Codes that rest, with the moment they are free again.
    pub fn resting(&self) -> impl Iterator<Item = (&Code, Moment)> {
        self.taken.iter().filter_map(|(code, at)| at.map(|at| (code, at)))
    }
}

/// SplitMix64 (Steele, Lea, Flood 2014): spreads neighbouring events over all codes.
fn next(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

fn spell(number: u64) -> Code {
    let mut rest = number;
    let text = (0..3)
        .map(|_| {
            let at = usize::try_from(rest % 27).unwrap_or(0);
            rest /= 27;
            char::from(ALPHABET[at])
        })
        .collect();
    Code(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_until_seven_days_after_their_event() {
        let mut codes = Codes::default();
        let mut seen = std::collections::BTreeSet::new();
        for n in 0..3000 {
            let code = codes.give(7, EventId(n), Moment(n));
            assert!(code.0.len() == 3 && code.0.bytes().all(|b| ALPHABET.contains(&b)));
            assert!(seen.insert(code.clone()), "{code:?} twice");
            codes.release(&code, Moment(n));
        }
        assert_eq!(
            Codes::default().give(7, EventId(1), Moment(0)),
            Codes::default().give(7, EventId(1), Moment(9))
        );
    }

    /// First numbers of SplitMix64 from the seeds 0 and 1234567, as its published implementations give
    /// them (values from memory).
    #[test]
    fn numbers_are_those_of_splitmix64() {
        assert_eq!(next(&mut 0), 16_294_208_416_658_607_535);
        let mut state = 1_234_567;
        let first = [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423];
        assert_eq!([next(&mut state), next(&mut state), next(&mut state)], first);
        // Seed and number of the event both count: they start at state 1234567, and at 0.
        let given = |seed, event| Codes::default().give(seed, EventId(event), Moment(0));
        assert_eq!(given(1_234_567, 0), spell(first[0]));
        assert_eq!(given(0x9E37_79B9_7F4A_7C15, 1), spell(16_294_208_416_658_607_535));
    }

    #[test]
    fn three_places_of_twenty_seven_characters() {
        let spelled = [0, 1, 27, 26 + 27 * 26, 729, 19_682].map(|number| spell(number).0);
        assert_eq!(spelled, ["AAA", "BAA", "ABA", "99A", "AAB", "999"]);
    }

    #[test]
    fn what_would_be_a_command_is_never_given() {
        let word = Code("ACK".into());
        let seed = (0..200_000).find(|seed| spell(next(&mut { *seed })) == word).unwrap();
        assert_ne!(Codes::default().give(seed, EventId(0), Moment(0)), word);
    }

    #[test]
    fn a_code_is_free_again_at_the_end_of_its_rest() {
        let code = Codes::default().give(7, EventId(1), Moment(0));
        let mut codes = Codes::default();
        codes.take(code.clone(), Some(Moment(1000)));
        assert_ne!(codes.clone().give(7, EventId(1), Moment(999)), code);
        assert_eq!(codes.give(7, EventId(1), Moment(1000)), code);
    }

    #[test]
    fn the_last_free_code_is_found() {
        let mut codes = Codes::default();
        (0..19_683).filter(|n| *n != 5).for_each(|n| codes.take(spell(n), None));
        assert_eq!(codes.give(1, EventId(1), Moment(0)), spell(5));
    }

    #[test]
    fn a_code_is_given_even_when_all_are_taken() {
        let mut codes = Codes::default();
        for n in 0..19_683 {
            codes.take(spell(n), Some(Moment(1_000_000 + n)));
        }
        assert_eq!(codes.give(1, EventId(1), Moment(0)), spell(0));
    }
}
