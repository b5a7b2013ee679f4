//! Five hundred answers as people send them, in English, French and Spanish: none that acknowledges
//! nothing may be taken for an acknowledgment, and nearly all that acknowledge must be understood.
//! The answers are written for this test after common habits of typing; no published collection.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::notify::reply::{Meant, understand};
use std::collections::BTreeSet;

/// With `#` where the code stands.
const HONEST: [&str; 84] = [
    "ACK #",
    "ack #",
    "Ack #",
    "ack #.",
    "ACK #!",
    "ack: #",
    "ack, #",
    "ack - #",
    "ACK  #",
    " ack # ",
    "ack\n#",
    "ACK#",
    "OK #",
    "ok #",
    "Ok #.",
    "Okay #",
    "okay, #",
    "ok # thanks",
    "OK # thx",
    "ok thanks #",
    "Roger #",
    "roger, #",
    "copy #",
    "copied #",
    "got there soon\n# ok",
    "#",
    "# ",
    "#.",
    "(#)",
    "# ok",
    "# ack",
    "# OK thanks",
    "ack # please",
    "yes ack #",
    "Yes, ok #",
    "hi, ack #",
    "a #",
    "A #.",
    "ack code #",
    "ack the alarm #",
    "ok for #",
    "ack # on my way",
    "ok # going there now",
    "ACK # will look in 5 min",
    "ok # - driving over",
    "acknowledged #",
    "Acknowledge #",
    "acked #",
    "ok # leaving home now",
    "ACK # I see it on the page",
    "ok #, pump is back already",
    "ACK # (Kim)",
    "OK # 👍",
    "👍 ok #",
    "ack #\n> P1 NO FLOW header A. Reply ACK #",
    "ok #\nOn Sunday the station wrote:\nP1 NO FLOW",
    "reçu #",
    "Reçu, #",
    "RECU #",
    "reçu # merci",
    "compris #",
    "Compris : #",
    "vu #",
    "d'accord #",
    "D’accord, #",
    "ok # j'y vais",
    "ok # je pars tout de suite",
    "oui ok #",
    "Oui, reçu #",
    "ok merci #",
    "ack # j’arrive dans 10 minutes",
    "reçu pour #",
    "ok l'alarme #",
    "recibido #",
    "Recibido: #",
    "RECIBIDO # gracias",
    "entendido #",
    "Entendido, #",
    "vale #",
    "ok # voy para allá",
    "ok # ya salgo",
    "sí, recibido #",
    "enterado #",
    "ok gracias #",
];

/// Acknowledge nothing, or nothing that may be relied on.
const NOTHING: [&str; 92] = [
    "I can't ack #",
    "cannot do #",
    "not me #",
    "don't ack #",
    "no",
    "No #",
    "ok but # is not mine",
    "ok what is #?",
    "ack #?",
    "# ?",
    "what is #",
    "which one is #",
    "why # again",
    "who has #",
    "wrong number",
    "wrong number #",
    "I won't go for #",
    "unable to ack #",
    "I'm driving right now and will reply later",
    "I am driving. Sent by my phone.",
    "Driving - will get back to you",
    "Sorry, I can't talk right now.",
    "Can I call you later?",
    "I'm in a meeting.",
    "In a meeting. Will call you back.",
    "I'll call you right back",
    "Call you later",
    "On my way",
    "on my way!",
    "Sorry, busy",
    "Out of office until Monday. For urgent matters call the site.",
    "Automatic reply: I am out of the office",
    "AUTO-REPLY: message received",
    "Auto: your message has been received and will be read",
    "Message received. Thank you.",
    "Your message could not be delivered",
    "The number you texted is not in service",
    "STOP",
    "stop sending me these",
    "Please stop #",
    "unsubscribe",
    "lol",
    "??",
    "...",
    "👍",
    "thanks",
    "thank you",
    "Yes",
    "Good morning",
    "How are you",
    "> P1 NO FLOW header A: 24/24 jars. 02:14. Reply ACK #",
    "P1 NO FLOW header A: 24 of 24 jars since 02:14. Reply ACK #",
    "Fwd: P1 NO FLOW header A since 02:14. Reply ACK #",
    "FW: Reply ACK #",
    "Liked \"P1 NO FLOW header A. Reply ACK #\"",
    "Loved “P1 NO FLOW header A. Reply ACK #”",
    "Emphasized \"Reply ACK #\"",
    "On Sunday Kim wrote:\nACK #",
    "--- original message ---\nack #",
    "\"ack #\"",
    "« ack # »",
    "> ack #\n> ok #",
    "Kim said to answer ACK #",
    "It says reply ACK #",
    "should I send ACK #?",
    "ask Bo about #",
    "Bo has # I think",
    "tell Kim #",
    "je ne peux pas #",
    "pas moi #",
    "non #",
    "Je conduis, je vous rappelle",
    "Je suis en réunion",
    "Je ne suis pas disponible",
    "c'est quoi #",
    "pourquoi # encore",
    "Absent jusqu'à lundi",
    "Réponse automatique : je suis absent",
    "mauvais numéro",
    "ok mais pas #",
    "no puedo #",
    "yo no #",
    "Estoy conduciendo, te llamo luego",
    "Estoy en una reunión",
    "¿qué es #?",
    "que es #",
    "Respuesta automática: fuera de la oficina",
    "número equivocado",
    "ok pero no #",
    "nadie va a #",
    "vale la pena mirar #",
    "no entiendo #",
];

const CODES: [&str; 3] = ["M4T", "k7q", "RXW"];

/// The same answer as three phones would send it.
fn variants(pattern: &str) -> BTreeSet<String> {
    CODES.iter().map(|code| pattern.replace('#', code)).collect()
}

#[test]
fn five_hundred_answers_in_three_languages() {
    let (mut all, mut honest, mut understood, mut missed) = (0, 0, 0, Vec::new());
    for pattern in HONEST {
        for answer in variants(pattern) {
            let code = CODES.iter().find(|code| answer.contains(*code)).unwrap().to_uppercase();
            honest += 1;
            match understand(&answer) {
                Meant::Ack(codes) => {
                    assert_eq!(codes, [code], "{answer:?}");
                    understood += 1;
                }
                Meant::Bare | Meant::Status | Meant::Hist(_) | Meant::Who | Meant::Help | Meant::Other => {
                    missed.push(answer);
                }
            }
        }
    }
    all += honest;
    let mut wrong = Vec::new();
    for pattern in NOTHING {
        // The upper-case form is what some phones send; it must mean the same.
        for answer in variants(pattern).into_iter().flat_map(|text| [text.to_uppercase(), text]) {
            all += 1;
            // A code that is nobody's acknowledges nothing.
            let acknowledges = match understand(&answer) {
                Meant::Ack(codes) => CODES.iter().any(|code| codes.contains(&code.to_uppercase())),
                Meant::Bare => true,
                Meant::Status | Meant::Hist(_) | Meant::Who | Meant::Help | Meant::Other => false,
            };
            if acknowledges {
                wrong.push(answer);
            }
        }
    }
    for answer in [
        "OK",
        "ok",
        "Ok.",
        "ACK",
        "ack!",
        "ok thanks",
        "OK merci",
        "ok gracias",
        "okay",
        "Acknowledged",
        "OK OK",
    ] {
        all += 1;
        honest += 1;
        understood += usize::from(understand(answer) == Meant::Bare);
    }
    println!(
        "{all} answers; {understood} of {honest} honest ones understood, {} wrongly taken; missed: {missed:?}",
        wrong.len()
    );
    assert!(all >= 500);
    assert!(wrong.is_empty(), "{wrong:?}");
    assert!(understood * 100 >= honest * 95, "{understood} of {honest}");
}
