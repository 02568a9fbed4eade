//! Spectra in the log.

use super::*;

fn spectral(values: Vec<f64>) -> Reading {
    let spectrum = Spectrum::new(380.0, 400.0 / values.len() as f64, values).unwrap();
    Reading { spectrum: Some(spectrum), ..draft("bench", white(), Vec::new()) }
}

#[tokio::test]
async fn a_reading_with_its_spectrum_comes_back_the_same_to_the_last_bit() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let extremes = vec![0.1, -0.0, f64::MIN_POSITIVE / 3.0, f64::MAX, f64::MIN, 1.0 / 3.0];
    let corrected = Reading { correction: Some("c1".to_owned()), ..draft("bench", white(), Vec::new()) };
    let labelled = Reading {
        observer: Some(Observer::Cie2015Deg10),
        bandwidth_nm: Some(4.0),
        ..spectral(vec![0.25; 101])
    };
    let mut expected = Vec::new();
    for draft in [spectral(extremes), corrected, labelled] {
        let number = log.append(draft.clone()).await.await.unwrap();
        expected.push(numbered(draft, number));
    }
    let with = log.readings(Selection { spectra: true, ..Selection::default() }).await.unwrap();
    assert_eq!(with.readings, expected);
    let bits = |reading: &Reading| -> Vec<u64> {
        reading
            .spectrum
            .iter()
            .flat_map(|spectrum| spectrum.values().iter().map(|value| value.to_bits()))
            .collect()
    };
    assert_eq!(bits(&with.readings[0]), bits(&expected[0]));
    let without = log.readings(Selection::default()).await.unwrap();
    for (found, expected) in without.readings.iter().zip(expected) {
        assert_eq!(*found, Reading { spectrum: None, ..expected });
    }
}

#[tokio::test]
async fn a_page_of_spectra_fits_a_line_and_the_next_goes_on_where_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let longest = [-1.234_567_890_123_456_7e-300; MOST_VALUES];
    let mut last = None;
    for _ in 0..30 {
        last = Some(log.append(spectral(longest.to_vec())).await);
    }
    last.unwrap().await.unwrap();
    let (mut sequences, mut pages, mut after) = (Vec::new(), 0, None);
    loop {
        let page = log.readings(Selection { after, spectra: true, ..Selection::default() }).await.unwrap();
        assert!(serde_json::to_vec(&page).unwrap().len() < LONGEST_LINE - 1024);
        sequences.extend(page.readings.iter().map(|reading| reading.sequence));
        (pages, after) = (pages + 1, page.next);
        if after.is_none() {
            break;
        }
    }
    assert_eq!(sequences, (1..=30).collect::<Vec<u64>>());
    assert_eq!(pages, 3, "a page is as large as may be");
}

#[tokio::test]
async fn a_damaged_spectrum_is_an_error_and_no_spectrum() {
    for damage in ["substr(f64_le, 1, 31)", "x'000000000000f87f000000000000f87f'", "x''"] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let (log, _written) = Log::open(path.clone(), Survives::Crash).unwrap();
        log.append(spectral(vec![1.0; 4])).await.await.unwrap();
        let other = rusqlite::Connection::open(&path).unwrap();
        other.execute_batch(&format!("UPDATE spectra SET f64_le = {damage}")).unwrap();
        drop(other);
        assert!(log.readings(Selection::default()).await.is_ok());
        let spectra = Selection { spectra: true, ..Selection::default() };
        let error = log.readings(spectra.clone()).await.unwrap_err();
        assert_eq!(error.kind(), ErrorKind::LogUnavailable, "{damage}");
        // Whoever finds it has the log recovered: the reading is saved without it.
        let mut found = Err(error);
        for _ in 0..1000 {
            found = log.readings(spectra.clone()).await;
            if found.is_ok() {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
        let [reading] = found.unwrap().readings.try_into().unwrap();
        assert_eq!((reading.sequence, reading.spectrum), (1, None), "{damage}");
        let is_counted = || log.happened().any(|(kind, count)| kind == EventKind::LogRecovered && count == 1);
        for _ in 0..1000 {
            if is_counted() {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
        assert!(is_counted(), "{damage}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn any_spectrum_is_logged_as_it_is(values in proptest::collection::vec(proptest::num::f64::NORMAL | proptest::num::f64::ZERO, 2..60)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
            let draft = spectral(values);
            log.append(draft.clone()).await.await.unwrap();
            let page = log.readings(Selection { spectra: true, ..Selection::default() }).await.unwrap();
            prop_assert_eq!(&page.readings[0].spectrum, &draft.spectrum);
            Ok(())
        })?;
    }
}
