use super::*;

const LEAST: &str = "[engine]\nstrokes = 4\nidle_rpm = 750\nmax_rpm = 6000\n";

fn read(text: &str) -> Result<HostProfile, Problem> {
    HostProfile::from_toml(Path::new("engine.toml"), text)
}

#[test]
fn the_required_values_are_enough_and_what_stands_for_the_others_is_said() {
    let profile = read(LEAST).unwrap();
    let expected = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
    assert_eq!((profile.name, profile.core), (None, expected));
    assert_eq!(profile.assumed, [Assumed::RatedRpm, Assumed::HeadLimit, Assumed::Fitted]);
    let without_head = read(&format!("{LEAST}[channels]\nfitted = [\"rpm\"]\n")).unwrap();
    assert_eq!(without_head.assumed, [Assumed::RatedRpm], "no head, no head limit to assume");
}

#[test]
fn every_value_reaches_the_core_in_its_own_unit() {
    let text = "name = \"Skiff 3\"\n[engine]\nstrokes = 2\nidle_rpm = 899.875\nrated_rpm = 5500\nmax_rpm = 6_000.0\n\
        thermostat_opens_c = 62.0005\nhead_limit_c = 95.05\noil_min_kpa = 100\n[water]\ntelltale = \"after-thermostat\"\n\
        relief_valve = false\nflow_min_lpm = 0.3\n[drive]\ngear_ratio = 1.85\nprop_pitch_in = 13\n\
        [electric]\ncharging_min_v = 13.2\n[channels]\nfitted = [\"rpm\", \"oil\"]\n";
    let profile = read(text).unwrap();
    assert_eq!(profile.name.as_deref(), Some("Skiff 3"));
    assert_eq!(profile.assumed, []);
    let expected = Profile {
        strokes: 2,
        // 899.875 rpm is 3,599.5 quarters: half away from zero.
        idle: Rpm::from_quarter_rpm(3_600),
        rated: Some(Rpm::from_whole_rpm(5_500)),
        max: Rpm::from_whole_rpm(6_000),
        // 62.0005 has no exact binary fraction; the digits of the file count.
        thermostat_opens: Some(Temperature::from_millicelsius(62_001)),
        head_limit: Some(Temperature::from_millicelsius(95_050)),
        oil_min: Some(Pressure::from_pascals(100_000)),
        telltale: Telltale::AfterThermostat,
        relief_valve: Some(false),
        flow_min: Some(Flow::from_millilitres_per_minute(300)),
        gear_ratio_milli: Some(1_850),
        prop_pitch_milli_inch: Some(13_000),
        electric: Some(Electric { charging_min: Voltage::from_millivolts(13_200) }),
        fitted: ChannelSet::EMPTY.with(Channel::Rpm).with(Channel::Oil),
    };
    assert_eq!(profile.core, expected);
}

#[test]
fn an_electric_section_without_a_voltage_gets_the_common_one_and_says_so() {
    for (name, section, expected) in [
        ("empty", "[electric]\n", Some(13_000)),
        ("nominal only", "[electric]\nnominal_v = 12\n", Some(13_000)),
        ("absent", "", None),
    ] {
        let profile = read(&format!("{LEAST}{section}")).unwrap();
        let charging_min = profile.core.electric.map(|electric| electric.charging_min.as_millivolts());
        assert_eq!(charging_min, expected, "{name}");
        assert_eq!(profile.assumed.contains(&Assumed::ChargingMin), expected.is_some(), "{name}");
    }
}

#[test]
fn of_several_unknown_keys_the_first_in_the_file_is_named() {
    let problem = read(&format!("{LEAST}zebra = 1\nabacus = 2\n")).unwrap_err();
    assert_eq!((problem.exit, problem.line), (Exit::Usage, Some(5)), "{problem}");
    assert!(problem.cause.contains("zebra"), "{problem}");
}

mod any_input {
    use proptest::prelude::*;

    use super::*;

    const FULL: &str = "name = \"Skiff 3\"\n[engine]\nstrokes = 2\nidle_rpm = 900\nmax_rpm = 6_000.0\n[water]\n\
        telltale = \"unknown\"\n[channels]\nfitted = [\"rpm\", \"oil\"]\n[calibration.head]\ntable = [[9, 2], [3, 4]]\n\
        [care]\nimpeller = { hours = 200, months = 12 }\n";

    proptest! {
        #[test]
        fn any_text_is_accepted_or_refused_with_a_file_and_a_reason(text in "\\PC{0,200}") {
            judge(&text)?;
        }

        #[test]
        fn a_good_profile_with_a_piece_replaced_is_accepted_or_refused_with_a_reason(
            from in 0..FULL.len(), length in 0_usize..12, piece in "[\\PC\n]{0,6}",
        ) {
            let mut text = FULL.to_owned();
            text.replace_range(from..(from + length).min(FULL.len()), &piece);
            judge(&text)?;
        }
    }

    fn judge(text: &str) -> Result<(), TestCaseError> {
        match read(text) {
            Ok(profile) => prop_assert_eq!(profile.core.validate(), Ok(())),
            Err(problem) => {
                prop_assert_eq!(problem.exit, Exit::Usage);
                prop_assert!(problem.file.is_some() && !problem.cause.is_empty() && !problem.remedy.is_empty());
                let lines = u64::try_from(text.matches('\n').count()).unwrap() + 1;
                prop_assert!(problem.line.is_some_and(|line| (1..=lines).contains(&line)), "{problem}");
            }
        }
        Ok(())
    }
}
