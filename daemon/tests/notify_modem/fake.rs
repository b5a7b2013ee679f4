//! A modem that follows a script: it answers as the standard says, and errs where it is told to.

#![allow(dead_code, reason = "not every test uses all of it")]

use std::collections::{BTreeMap, VecDeque};

/// What happens instead of an answer, once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// It answers this.
    Says(String),
    /// It takes the unit to the network, and its answer gets lost.
    Lost,
    /// It says nothing.
    Silence,
    /// The port goes away.
    Vanishes,
}

#[derive(Debug, Default)]
pub struct FakeModem {
    heard: Vec<u8>,
    /// Repeats what it hears, until told not to; for ever when stubborn.
    pub echo: bool,
    pub stubborn: bool,
    awaits_unit: bool,
    /// Begin of a command (`unit` for a unit), and what happens when it comes.
    pub script: VecDeque<(String, Trouble)>,
    /// Its store.
    pub stored: BTreeMap<u16, String>,
    /// Units the network took.
    pub sent: Vec<String>,
    /// Commands it was given.
    pub commands: Vec<String>,
    pub vanished: bool,
}

impl FakeModem {
    pub fn new() -> Self {
        Self { echo: true, ..Self::default() }
    }

    /// Takes a byte; gives what it says to that.
    pub fn hear(&mut self, byte: u8) -> Vec<u8> {
        let mut said = if self.echo { vec![byte] } else { Vec::new() };
        match byte {
            0x1B => {
                self.heard.clear();
                if std::mem::take(&mut self.awaits_unit) {
                    said.extend(b"\r\nOK\r\n");
                }
            }
            0x1A if self.awaits_unit => {
                self.awaits_unit = false;
                let unit = String::from_utf8(std::mem::take(&mut self.heard)).unwrap();
                said.extend(self.unit(unit));
            }
            b'\r' if !self.awaits_unit => {
                let command = String::from_utf8(std::mem::take(&mut self.heard)).unwrap();
                said.extend(self.command(&command));
            }
            byte => self.heard.push(byte),
        }
        said
    }

    fn trouble(&mut self, command: &str) -> Option<Trouble> {
        let fits = self.script.front().is_some_and(|(begin, _)| command.starts_with(begin.as_str()));
        if fits { self.script.pop_front().map(|(_, trouble)| trouble) } else { None }
    }

    fn unit(&mut self, unit: String) -> Vec<u8> {
        match self.trouble("unit") {
            Some(Trouble::Says(words)) => return format!("\r\n{words}\r\n").into_bytes(),
            Some(Trouble::Lost) => {
                self.sent.push(unit);
                return Vec::new();
            }
            Some(Trouble::Silence) => return Vec::new(),
            Some(Trouble::Vanishes) => {
                self.vanished = true;
                return Vec::new();
            }
            None => {}
        }
        self.sent.push(unit);
        format!("\r\n+CMGS: {}\r\n\r\nOK\r\n", self.sent.len() % 256).into_bytes()
    }

    fn command(&mut self, command: &str) -> Vec<u8> {
        self.commands.push(command.to_owned());
        match self.trouble(command) {
            Some(Trouble::Says(words)) => return format!("\r\n{words}\r\n").into_bytes(),
            Some(Trouble::Lost | Trouble::Silence) => return Vec::new(),
            Some(Trouble::Vanishes) => {
                self.vanished = true;
                return Vec::new();
            }
            None => {}
        }
        let index = command.split('=').nth(1).and_then(|n| n.parse::<u16>().ok());
        let answer = match command {
            "ATE0" => {
                self.echo = self.stubborn;
                String::new()
            }
            "AT+CGMM" => "FAKE-1\r\n".into(),
            "AT+CGSN" => "000000000000000\r\n".into(),
            "AT+CFUN?" => "+CFUN: 1\r\n".into(),
            "AT+CPIN?" => "+CPIN: READY\r\n".into(),
            "AT+CREG?" => "+CREG: 0,1\r\n".into(),
            "AT+CEREG?" => "+CEREG: 0,1\r\n".into(),
            "AT+CSQ" => "+CSQ: 18,99\r\n".into(),
            "AT+COPS?" => "+COPS: 0,0,\"Carrier\",7\r\n".into(),
            "AT+CSCA?" => "+CSCA: \"+12025550100\",145\r\n".into(),
            "AT+CMGL=4" => {
                self.stored.iter().map(|(n, unit)| entry("CMGL", &format!("{n},1"), unit)).collect()
            }
            _ if command.starts_with("AT+CMGR=") => {
                let stored = index.and_then(|n| self.stored.get(&n));
                stored.map_or_else(String::new, |unit| entry("CMGR", "0", unit))
            }
            _ if command.starts_with("AT+CMGD=") => {
                self.stored.remove(&index.unwrap());
                String::new()
            }
            _ if command.starts_with("AT+CMGS=") => {
                self.awaits_unit = true;
                return b"\r\n> ".to_vec();
            }
            _ => String::new(),
        };
        let begin = if answer.is_empty() { "" } else { "\r\n" };
        format!("{begin}{answer}\r\nOK\r\n").into_bytes()
    }
}

fn entry(name: &str, state: &str, unit: &str) -> String {
    let centre = usize::from_str_radix(&unit[..2], 16).unwrap();
    format!("+{name}: {state},,{}\r\n{unit}\r\n", unit.len() / 2 - 1 - centre)
}
