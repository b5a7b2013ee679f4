//! The grammar of answers. An answer is taken for an acknowledgment only when nothing in it speaks
//! against that: a wrongly understood text would silence an alarm, one not understood is answered.

use crate::alarm::code::ALPHABET;
use crate::notify::route::WORD;

/// Most codes taken from one text.
const MOST_CODES: usize = 8;
/// Characters looked at; nobody acknowledges with more.
const LONGEST: usize = 480;

/// Words that acknowledge, in English, French and Spanish.
const ACK: [&str; 24] = [
    "ACK",
    "OK",
    "A",
    "OKAY",
    "OKEY",
    "OKI",
    "K",
    "ACKED",
    "ACKNOWLEDGE",
    "ACKNOWLEDGED",
    "ROGER",
    "COPY",
    "COPIED",
    "REÇU",
    "RECU",
    "COMPRIS",
    "VU",
    "D'ACCORD",
    "DACCORD",
    "RECIBIDO",
    "ENTENDIDO",
    "VALE",
    "VISTO",
    "ENTERADO",
];
/// Words that acknowledge all alone. The others are said about anything.
const BARE: [&str; 4] = ["ACK", "OK", "ACKNOWLEDGED", "OKAY"];
/// Said with an acknowledgment without meaning anything.
const COURTESY: [&str; 17] = [
    "THANKS", "THANK", "YOU", "THX", "TY", "PLEASE", "MERCI", "GRACIAS", "SVP", "YES", "YEP", "YEAH", "OUI",
    "SI", "SÍ", "HI", "HELLO",
];
/// May stand between the word and the code.
const FILLER: [&str; 26] = [
    "L'ALARME", "L'ALERTE", "CODE", "CÓDIGO", "CODIGO", "ALARM", "ALARME", "ALARMA", "ALERT", "ALERTE",
    "ALERTA", "FOR", "THE", "AND", "ET", "Y", "TO", "LE", "LA", "EL", "DE", "DU", "POUR", "PARA", "BOTH",
    "ALL",
];
/// Speaks against an acknowledgment wherever it stands.
const AGAINST: [&str; 50] = [
    "NO",
    "NOT",
    "DON'T",
    "DONT",
    "CAN'T",
    "CANT",
    "CANNOT",
    "WON'T",
    "WONT",
    "DIDN'T",
    "DIDNT",
    "ISN'T",
    "NEVER",
    "NOBODY",
    "WRONG",
    "UNABLE",
    "COULDN'T",
    "WOULDN'T",
    "HAVEN'T",
    "UNLESS",
    "BUT",
    "NON",
    "NE",
    "PAS",
    "JAMAIS",
    "PERSONNE",
    "N'AI",
    "N'EST",
    "IMPOSSIBLE",
    "MAIS",
    "SAUF",
    "NUNCA",
    "NADIE",
    "TAMPOCO",
    "IMPOSIBLE",
    "PERO",
    "SALVO",
    "WHAT",
    "WHICH",
    "WHY",
    "WHO",
    "IF",
    "QUOI",
    "QUEL",
    "QUELLE",
    "POURQUOI",
    "QUÉ",
    "QUE",
    "CUAL",
    "CUÁL",
];

/// What a text says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meant {
    /// Acknowledges the alarms with these codes. Codes are as written, in capitals; one that cannot
    /// exist is among them so that its sender can be told.
    Ack(Vec<String>),
    /// Acknowledges without a code.
    Bare,
    /// Asks how things stand.
    Status,
    /// Asks for the history of an alarm.
    Hist(String),
    /// Asks who is on call.
    Who,
    /// Asks for help.
    Help,
    /// Anything else.
    Other,
}

/// What a text says.
#[must_use]
pub fn understand(text: &str) -> Meant {
    let own = own_words(text);
    if own.trim() == "?" {
        return Meant::Help;
    }
    let words = words(&own);
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        [] => return Meant::Other,
        ["STATUS" | "ESTADO" | "ÉTAT" | "ETAT"] => return Meant::Status,
        ["WHO"] => return Meant::Who,
        ["HELP" | "AIDE" | "AYUDA"] => return Meant::Help,
        ["HIST", code] => return Meant::Hist((*code).to_owned()),
        _ => {}
    }
    // A question or a refusal is none, whatever else it holds.
    if own.contains(['?', '¿']) || words.iter().any(|word| AGAINST.contains(word)) {
        return Meant::Other;
    }
    acknowledgment(&words)
}

/// What its sender wrote: without what is quoted, and only as far as anybody would write.
fn own_words(text: &str) -> String {
    let mut own = String::new();
    for line in text.chars().take(LONGEST).collect::<String>().replace('’', "'").lines() {
        let line = line.trim();
        // From here on the text is somebody else's.
        let end = line.to_lowercase();
        let introduces = ["wrote:", "écrit :", "escribió:"].iter().any(|words| end.ends_with(words));
        if introduces || line.starts_with("---") {
            break;
        }
        let line = line.split(['>', '«', '"', '“', '»']).next().unwrap_or_default();
        own.push_str(line);
        own.push(' ');
    }
    own
}

/// Words in capitals, without the punctuation around them.
fn words(text: &str) -> Vec<String> {
    let apart = |c: char| {
        c.is_whitespace() || matches!(c, ',' | ';' | ':' | '.' | '!' | '/' | '+' | '&' | '-' | '(' | ')')
    };
    text.split(apart)
        .map(|word| word.trim_matches(|c: char| !c.is_alphanumeric()).to_uppercase())
        .filter(|word| !word.is_empty())
        .flat_map(|word| match glued(&word) {
            Some((ack, code)) => vec![ack, code],
            None => vec![word],
        })
        .collect()
}

/// `ACKM4T`, as hasty thumbs write it.
fn glued(word: &str) -> Option<(String, String)> {
    ["ACK", "OK"].into_iter().find_map(|ack| {
        let code = word.strip_prefix(ack).filter(|code| is_code(code))?;
        // Words that begin like that are no codes: a code of their letters has a digit to show it.
        let digit = code.bytes().any(|b| b.is_ascii_digit());
        (digit || ack == "ACK").then(|| (ack.to_owned(), code.to_owned()))
    })
}

fn acknowledgment(words: &[&str]) -> Meant {
    let is_ack = |word: &&str| ACK.contains(word);
    let is_courtesy = |word: &&str| COURTESY.contains(word);
    let begins = words.iter().position(|word| !is_courtesy(word)).unwrap_or(words.len());
    let words = &words[begins..];
    let said = words.iter().filter(|word| !is_courtesy(word)).copied().collect::<Vec<&str>>();
    if !said.is_empty() && said.iter().all(|word| BARE.contains(word)) {
        return Meant::Bare;
    }
    // A code alone, or with the word behind it.
    let (codes, others): (Vec<&str>, Vec<&str>) =
        said.iter().copied().partition(|word| is_code(word) && !is_ack(word) && !FILLER.contains(word));
    let alone = !codes.is_empty() && others.iter().all(|word| is_ack(word) || FILLER.contains(word));
    if alone && (words.first().is_some_and(is_ack) || said.first().is_some_and(|word| is_code(word))) {
        return ack(&codes);
    }
    // The word first, the codes after it, then whatever else somebody wants to say.
    let Some((first, rest)) = words.split_first().filter(|(first, _)| is_ack(first)) else {
        return Meant::Other;
    };
    let passed_over = |word: &&&str| is_courtesy(word) || FILLER.contains(word) || ACK.contains(word);
    let skipped = rest.iter().take_while(passed_over).count();
    let codes: Vec<&str> = rest[skipped..]
        .iter()
        .copied()
        .filter(|word| !FILLER.contains(word))
        .take_while(|word| like_code(word))
        .collect();
    // These are words of the language too: with anything else behind the code they may mean anything.
    let weak = matches!(*first, "A" | "K" | "VU" | "VALE" | "COPY");
    if codes.is_empty() || weak { Meant::Other } else { ack(&codes) }
}

fn ack(codes: &[&str]) -> Meant {
    Meant::Ack(codes.iter().take(MOST_CODES).map(|code| (*code).to_owned()).collect())
}

/// Three characters that codes are made of, or the word of the hand-over.
fn is_code(word: &str) -> bool {
    word == WORD || (word.len() == 3 && word.bytes().all(|b| ALPHABET.contains(&b)))
}

/// Three characters with a digit, or such as codes are made of: what somebody may have meant as one.
fn like_code(word: &str) -> bool {
    let digit = word.bytes().any(|b| b.is_ascii_digit());
    is_code(word) || (word.len() == 3 && digit && word.bytes().all(|b| b.is_ascii_alphanumeric()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ack(codes: &[&str]) -> Meant {
        Meant::Ack(codes.iter().map(|code| (*code).to_owned()).collect())
    }

    #[test]
    fn an_acknowledgment_is_a_word_with_a_code_or_a_code_alone() {
        for (text, codes) in [
            ("ack k7q.", &["K7Q"][..]),
            ("  OK   m4t ", &["M4T"]),
            ("a m4t", &["M4T"]),
            ("ack duty", &["DUTY"]),
            ("m4t", &["M4T"]),
            ("M4T ok", &["M4T"]),
            ("Ack: M4T, K7Q", &["M4T", "K7Q"]),
            ("ACKM4T", &["M4T"]),
            ("ack m4t on my way", &["M4T"]),
            ("Reçu, merci. M4T", &["M4T"]),
            ("Entendido, código m4t", &["M4T"]),
            ("ACK M40", &["M40"]),
            ("ok m4t\n> P1 NO FLOW header A. Reply ACK K7Q", &["M4T"]),
        ] {
            assert_eq!(understand(text), ack(codes), "{text}");
        }
        for text in ["OK", "ack!", " Ok. Thanks", "OK 👍"] {
            assert_eq!(understand(text), Meant::Bare, "{text}");
        }
    }

    #[test]
    fn questions_refusals_quotations_and_machines_acknowledge_nothing() {
        for text in [
            "> P1 NO FLOW header A: 24/24 jars. 02:14. Reply ACK M4T",
            "\"P1 NO FLOW. Reply ACK M4T\"",
            "On Sun Kim wrote:\nReply ACK M4T",
            "I am driving. OK to call later",
            "ok what is m4t",
            "ACK M4T?",
            "can't ack M4T",
            "OK mais pas moi, M4T",
            "a can of paint",
            "P1 NO FLOW header A since 02:14. Reply ACK M4T",
            "Who sent M4T",
            "",
            "\u{1b}\0>",
        ] {
            assert_eq!(understand(text), Meant::Other, "{text}");
        }
    }

    #[test]
    fn questions_to_the_station() {
        assert_eq!(understand("status?"), Meant::Status);
        assert_eq!(understand("Who"), Meant::Who);
        assert_eq!(understand("?"), Meant::Help);
        assert_eq!(understand("hist m4t"), Meant::Hist("M4T".into()));
    }
}
