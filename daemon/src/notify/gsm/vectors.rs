//! Vectors out of the published tests of open modem libraries and of a classic tutorial, each
//! computed again with an independent implementation; both ways. And what a decoder must survive.

use super::field::{digits, from_hex, semi_octets, to_hex};
use super::*;
use nightjar_calc::time::{Span, Timestamp};

#[test]
fn septets_are_packed_as_published() {
    for (text, count, hex) in [
        ("hello", 5, "E8329BFD06"),
        ("hellohello", 10, "E8329BFD4697D9EC37"),
        ("Hello World!", 12, "C8329BFD065DDF72363904"),
        ("123", 3, "31D90C"),
        ("1234567", 7, "31D98C56B3DD00"),
        ("1234567@", 8, "31D98C56B3DD00"),
        ("1234567\r", 8, "31D98C56B3DD1A"),
        ("12345678", 8, "31D98C56B3DD70"),
        ("123456789", 9, "31D98C56B3DD7039"),
        ("[{abc}]~", 13, "1BDE0615168F37A98D6FD303"),
        ("a[]{}€", 11, "E10D6FE3DBA036A94D19"),
        ("{åΦΓΛΩΠΨΣΘ€}", 15, "1BD44332A1542C174C6653DEA400"),
        ("€", 2, "9B32"),
        ("@", 1, "00"),
        ("ACK K7Q", 7, "C1E112B4BC4501"),
        ("", 0, ""),
    ] {
        let septets = text_septets(text).unwrap();
        assert_eq!(septets.len(), count, "{text}");
        assert_eq!(to_hex(&pack(&septets, 0)), hex, "{text}");
        let back = unpack(&from_hex(hex).unwrap(), count, 0).unwrap();
        assert_eq!(septet_text(&back).unwrap(), text);
    }
}

#[test]
fn semi_octets_addresses_and_times_are_written_as_published() {
    for (number, hex) in [("15125551234", "5121551532F4"), ("123", "21F3"), ("1234", "2143")] {
        assert_eq!(to_hex(&semi_octets(number).unwrap()), hex);
        assert_eq!(digits(&from_hex(hex).unwrap(), number.len()).unwrap(), number);
    }
    for (address, hex) in [
        (Address::from_number("+27829135934").unwrap(), "0B917228195339F4"),
        (Address::from_number("+9876543210").unwrap(), "0A918967452301"),
        (Address::Word("FRANCOIS".into()), "0ED04669D0397C26A7"),
        (Address::from_number("0129998765").unwrap(), "0AA11092997856"),
    ] {
        assert_eq!(to_hex(&address.write().unwrap()), hex);
        assert_eq!(Octets::new(&from_hex(hex).unwrap()).address().unwrap(), address);
    }
    for (time, quarters, hex) in [
        ("2007-04-12T23:25:42+08:00", 32, "70402132522423"),
        ("2007-04-12T23:25:42-08:00", -32, "7040213252242B"),
        ("2015-11-27T00:00:00+02:00", 8, "51117200000080"),
    ] {
        let time = CentreTime { at: Timestamp::parse(time).unwrap(), quarters };
        assert_eq!(to_hex(&time.write().unwrap()), hex);
        assert_eq!(Octets::new(&from_hex(hex).unwrap()).centre_time().unwrap(), time);
    }
}

#[test]
fn validity_and_joining_are_written_as_published() {
    let hours = |h| Span::from_hours(h);
    for (span, value) in [
        (Span::from_minutes(30), 5),
        (hours(1), 11),
        (hours(4), 47),
        (hours(16), 151),
        (hours(3 * 24), 169),
        (hours(5 * 7 * 24), 197),
    ] {
        assert_eq!(Validity::at_least(span), Validity(value));
        assert_eq!(Validity(value).span(), span);
    }
    let narrow = Part { reference: 23, wide: false, total: 3, number: 1 };
    let wide = Part { reference: 384, wide: true, total: 4, number: 2 };
    assert_eq!(to_hex(&narrow.element()), "0003170301");
    assert_eq!(to_hex(&wide.element()), "080401800402");
    // A part with a wide reference comes back whole too.
    let data = UserData { text: "héllo".into(), coding: Coding::Gsm, part: Some(wide) };
    let submit = submit("+12025550143", data, None, false);
    assert_eq!(Submit::from_hex(&submit.hex().unwrap().0).unwrap(), submit);
}

fn submit(to: &str, data: UserData, validity: Option<u8>, report: bool) -> Submit {
    Submit {
        to: Address::from_number(to).unwrap(),
        validity: validity.map(Validity),
        report,
        reject_duplicates: false,
        data,
    }
}

#[test]
fn units_to_send_are_written_as_published() {
    let alarm = "P1 NO FLOW header A: 24/24 jars. 02:14. Reply ACK M4T";
    for (to, text, validity, report, hex, length) in [
        (
            "+27820001111",
            "Hello World!",
            None,
            false,
            "0001000B917228001011F100000CC8329BFD065DDF72363904",
            24,
        ),
        (
            "+46708251358",
            "hellohello",
            Some(0xAA),
            false,
            "0011000B916407281553F80000AA0AE8329BFD4697D9EC37",
            23,
        ),
        ("+46708251358", "hellohello", None, false, "0001000B916407281553F800000AE8329BFD4697D9EC37", 22),
        ("+12025550143", "ACK M4T", None, false, "0001000B912120550541F3000007C1E112D4A45101", 20),
        (
            "+12025550143",
            "Température élevée œuf",
            Some(11),
            false,
            "0011000B912120550541F300080B2C00540065006D007000E9007200610074007500720065002000E9006C0065007600E900650020015300750066",
            58,
        ),
        (
            "+12025550143",
            alarm,
            Some(11),
            true,
            "0031000B912120550541F300000B35D018C8F9041999CF2B085D0E93CB7250500792D15E321A481D96CF5D20984C17A3B940D2329C9D0705874B50934605",
            61,
        ),
    ] {
        let submit = submit(to, UserData::whole(text), validity, report);
        assert_eq!(submit.hex().unwrap(), (hex.to_owned(), length), "{text}");
        assert_eq!(Submit::from_hex(hex).unwrap(), submit);
    }
}

#[test]
fn a_long_text_is_joined_as_published() {
    // The published unit carries 153 septets of this text of the typesetters; its first octets are
    // given.
    let lorem = "Lorem ipsum dolor sit amet, consectetur adipisicing elit, sed do eiusmod tempor \
        incididunt ut labore et dolore magna aliqua. Ut enim ad minim veniam, quis nostrud exercitation \
        ullamco laboris nisi ut aliquip ex ea commodo consequat. Duis aute irure dolor in reprehenderit in \
        voluptate velit esse cillum dolore eu fugiat nulla pariatur. Excepteur sint occaecat.";
    let parts = split(lorem, 0).unwrap();
    assert_eq!(parts.len(), 3);
    let first = Submit { reject_duplicates: true, ..submit("+15125551234", parts[0].clone(), None, false) };
    let (hex, length) = first.hex().unwrap();
    assert_eq!(length, 153);
    let published = "0045000B915121551532F40000A0050003000301986F79B90D4AC3E7F53688FC66BFE5A0";
    assert!(hex.starts_with(published), "{hex}");
    assert_eq!(Submit::from_hex(&hex).unwrap(), first);
    let whole: String = parts.iter().map(|part| part.text.as_str()).collect();
    assert_eq!(whole, lorem);
    assert_eq!(parts[0].text.chars().count(), 153);
}

#[test]
fn no_character_is_split_between_parts() {
    for text in ["€".repeat(100), "ю😀".repeat(60), format!("{}€", "a".repeat(160))] {
        let parts = split(&text, 7).unwrap();
        assert!(parts.len() > 1);
        for part in &parts {
            let submit = submit("+12025550143", part.clone(), Some(11), true);
            assert_eq!(Submit::from_hex(&submit.hex().unwrap().0).unwrap(), submit);
        }
        assert_eq!(parts.iter().map(|part| part.text.as_str()).collect::<String>(), text);
    }
    assert_eq!(split(&"a".repeat(160), 0).unwrap().len(), 1);
    assert_eq!(split(&"a".repeat(161), 0).unwrap().len(), 2);
    assert_eq!(split(&"ю".repeat(70), 0).unwrap().len(), 1);
    assert_eq!(split(&"ю".repeat(71), 0).unwrap().len(), 2);
    assert_eq!(split(&"a".repeat(153 * 255 + 1), 0), Err(NotAPdu::TooLong));
}

#[test]
fn texts_from_people_are_read_as_published() {
    for (hex, from, centre, at, quarters, text) in [
        (
            "0791448720003023240C914477581006500000916042113312800AE8329BFD4697D9EC37",
            "+447785016005",
            "+447802000332",
            "2019-06-24T11:33:21+02:00",
            8,
            "hellohello",
        ),
        (
            "06917228195339040B917228214365F700003130805120618005D4F29C2E03",
            "+27821234567",
            "+2782913593",
            "2013-03-08T15:02:16+02:00",
            8,
            "Test2",
        ),
        (
            "07915892000000F0040B915892214365F700007040213252242331493A283D0795C3F33C88FE06C9CB6132885EC6D341EDF27C1E3E97E7207B3A0C0A5241E377BB1D7693E72E",
            "+85291234567",
            "+85290000000",
            "2007-04-12T23:25:42+08:00",
            32,
            "It is easy to read text messages via AT commands.",
        ),
        (
            "06917228195339040B917228214365F70000313062315352800A800D8A5E98D337A910",
            "+27821234567",
            "+2782913593",
            "2013-03-26T13:35:25+02:00",
            8,
            "@{tést}!",
        ),
    ] {
        let read = Deliver::from_hex(hex).unwrap();
        assert_eq!((read.from.number().as_str(), read.data.text.as_str()), (from, text));
        assert_eq!(read.centre.as_ref().map(Address::number).as_deref(), Some(centre));
        assert_eq!(read.at, CentreTime { at: Timestamp::parse(at).unwrap(), quarters });
        assert_eq!(read.hex().unwrap(), hex);
        assert_eq!(Received::from_hex(hex).unwrap(), Received::Text(read));
    }
}

#[test]
fn a_delivery_report_is_read_as_published() {
    let hex = "0006D60B911326880736F4111011719551401110117195714000";
    let report = StatusReport::from_hex(hex).unwrap();
    assert_eq!((report.reference, report.to.number().as_str()), (214, "+31628870634"));
    assert_eq!(report.submitted.at, Timestamp::parse("2011-01-11T17:59:15+01:00").unwrap());
    assert_eq!(report.done.at, Timestamp::parse("2011-01-11T17:59:17+01:00").unwrap());
    assert_eq!((report.status, report.arrival()), (0, Arrival::Arrived));
    assert_eq!(report.hex().unwrap(), hex);
    assert_eq!(Received::from_hex(hex).unwrap(), Received::Report(report));
}

#[test]
fn damaged_units_are_errors() {
    let deliver = |rest: &str| format!("0004{rest}");
    let from = "0B917228214365F7";
    let time = "31308051206180";
    for (what, hex, error) in [
        (
            "joined part that claims more than there is",
            deliver_with("44", "A0050003000301986F79B90D"),
            NotAPdu::TooShort,
        ),
        ("reserved type", deliver("").replacen("0004", "0007", 1), NotAPdu::Kind(3)),
        ("odd number of digits", "0004F".to_owned(), NotAPdu::Hex),
        ("no digits", "00 4Z".to_owned(), NotAPdu::Hex),
        ("wide digits", "００".to_owned(), NotAPdu::Hex),
        ("nothing", String::new(), NotAPdu::TooShort),
        ("address of length 0", deliver("0091"), NotAPdu::Address),
        ("address of length 255", deliver("FF917228214365F7"), NotAPdu::Address),
        ("header longer than data", deliver_with("44", "05400003000301"), NotAPdu::Header),
        ("header longer than its septets", deliver_with("44", "0205000300"), NotAPdu::Header),
        ("header without data", deliver_with("44", "00"), NotAPdu::Header),
        ("element longer than header", deliver_with("44", "0802007F0000000000"), NotAPdu::Header),
        ("part 0", deliver_with("44", "08050003000300E2"), NotAPdu::Part),
        ("part 4 of 3", deliver_with("44", "08050003000304E2"), NotAPdu::Part),
        ("escape at the end", deliver_with("04", "011B"), NotAPdu::EscapeAtEnd),
        ("no such month", deliver(&format!("{from}000031318051206180")), NotAPdu::Time),
        ("half a character", format!("0004{from}0008{time}02D800"), NotAPdu::Surrogate),
        ("half a unit", format!("0004{from}0008{time}0141"), NotAPdu::Surrogate),
        ("compressed", format!("0004{from}0020{time}0141"), NotAPdu::Coding(0x20)),
        ("binary", format!("0004{from}0004{time}0141"), NotAPdu::Coding(0x04)),
        (
            "report with a reference of two octets",
            "000600D60B911326880736F4111011719551401110117195714000".to_owned(),
            NotAPdu::Address,
        ),
    ] {
        assert_eq!(Received::from_hex(&hex), Err(error), "{what}: {hex}");
    }
}

fn deliver_with(first: &str, data: &str) -> String {
    format!("00{first}0B917228214365F7000031308051206180{data}")
}
