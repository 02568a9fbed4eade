use super::*;

const PATCH: Patch =
    Patch { name: String::new(), codes: [940, 64, 502], background: [64, 65, 66], window_percent: 12.5 };
const CODING: Coding = Coding { bits: 10, range: Range::Narrow };

fn patch(name: &str) -> Patch {
    Patch { name: name.to_owned(), ..PATCH }
}

fn spot() -> Spot {
    Spot { set: "HDR 1".to_owned(), sequence: "grey".to_owned(), step: 7 }
}

fn screen(command: &str) -> External {
    External::new(command.parse().unwrap(), Duration::from_secs(20), Pause::default())
}

#[test]
fn every_place_is_filled_in_and_words_stay_words() {
    let template: Template =
        "'a program' {r},{g},{b} --rest={background_r}/{background_g}/{background_b} \"{window_percent} %\" {bits}{range} {name} {{r}} {set}/{sequence}/{step}"
            .parse()
            .unwrap();
    let (program, arguments) = template.filled(&patch("grey 50 %; rm x"), CODING, Some(&spot()));
    assert_eq!(program, "a program");
    let expected =
        ["940,64,502", "--rest=64/65/66", "12.5 %", "10narrow", "grey 50 %; rm x", "{r}", "HDR 1/grey/7"]
            .map(str::to_owned);
    assert_eq!(arguments, expected);
    // What is in no plan has no place there, and its words are empty ones.
    let (_, arguments) = template.filled(&patch("rest"), CODING, None);
    assert_eq!(arguments[6], "//");
}

#[test]
fn each_place_there_is_can_be_written_and_is_on_the_page() {
    let page = include_str!("../../../SHOWING.md");
    for place in Template::PLACES {
        let template: Template = format!("show {{{place}}}").parse().unwrap();
        let (_, arguments) = template.filled(&patch("grey"), CODING, Some(&spot()));
        assert!(arguments.len() == 1 && !arguments[0].is_empty() && !arguments[0].contains('{'), "{place}");
        assert!(page.contains(&format!("{{{place}}}")), "SHOWING.md does not tell of {{{place}}}");
    }
}

#[test]
fn a_template_that_can_not_be_meant_is_refused() {
    let refused = |text: &str| text.parse::<Template>().unwrap_err();
    assert_eq!(refused("show 'it"), BadTemplate::Unclosed);
    assert_eq!(refused("   "), BadTemplate::Empty);
    for braces in ["show {", "show r}", "show {r", "show }{r}"] {
        assert_eq!(refused(braces), BadTemplate::Brace, "{braces}");
    }
    let named = refused("show {red}").to_string();
    assert!(named.contains("{red}") && named.contains("{background_r}"), "{named}");
}

#[tokio::test]
async fn a_stimulus_is_shown_once_its_program_ends_well() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shown");
    let command = format!("sh -c 'printf \"%s %s\" \"$1\" \"$2\" >\"$0\"' {} {{r}} {{name}}", file.display());
    screen(&command).show(&patch("near black"), CODING).await.unwrap();
    assert_eq!(std::fs::read_to_string(file).unwrap(), "940 near black");
}

#[tokio::test]
async fn a_program_that_fails_is_named_with_the_stimulus_and_what_to_do() {
    for (command, expected) in [
        ("sh -c 'exit 3'", "sh did not show grey: it ended with exit status 3"),
        ("sh -c 'kill -9 $$'", "it was ended (signal: 9"),
        ("/nonexistent/show {r}", "--show-command"),
    ] {
        let error = screen(command).show(&patch("grey"), CODING).await.unwrap_err();
        assert!(error.why.contains(expected), "{command}: {}", error.why);
    }
}

#[tokio::test]
async fn a_program_that_does_not_end_is_ended() {
    let template = "tail -f /dev/null".parse().unwrap();
    let mut screen = External::new(template, Duration::from_millis(50), Pause::default());
    let error = screen.show(&patch("grey"), CODING).await.unwrap_err();
    assert!(
        error.why.contains("took longer than 50ms") && error.why.contains("--show-limit"),
        "{}",
        error.why
    );
}

/// Writes each stimulus that it is run for to a file, a line each.
fn noting(file: &std::path::Path, more: &str) -> External {
    let file = file.display();
    screen(&format!(
        "sh -c 'echo \"$1 $2 $3\" >>\"$0\"{more}' {file} {{r}},{{g}},{{b}} {{background_r}} {{window_percent}}"
    ))
}

#[tokio::test]
async fn at_the_end_the_whole_screen_is_black_and_only_if_anything_was_shown() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shown");
    let mut screen = noting(&file, "");
    screen.end().await;
    assert!(!file.exists(), "nothing was shown that is to be taken off");
    screen.show(&patch("white"), CODING).await.unwrap();
    screen.end().await;
    screen.end().await;
    // ITU-R BT.2100-2, table 9: black of 10 bits in narrow range is 64.
    assert_eq!(std::fs::read_to_string(file).unwrap(), "940,64,502 64 12.5\n64,64,64 64 100\n");
}

#[tokio::test]
async fn what_a_program_that_failed_may_have_shown_is_taken_off_too_or_it_is_known_that_it_was_not() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shown");
    let mut screen = noting(&file, "; exit 3");
    assert!(screen.show(&patch("white"), CODING).await.is_err());
    assert!(!screen.black_out().await, "it failed again");
    assert!(std::fs::read_to_string(file).unwrap().ends_with("64,64,64 64 100\n"));
}

/// A shell that starts a program of its own, waits for it, and would have it write the file later on.
fn slow(folder: &std::path::Path) -> (String, std::path::PathBuf, std::path::PathBuf) {
    let (begun, shown) = (folder.join("begun"), folder.join("shown"));
    let command = format!(
        "sh -c '(echo >\"$0\"; sleep 1; echo >\"$1\") & wait' {} {}",
        begun.display(),
        shown.display()
    );
    (command, begun, shown)
}

async fn wait_until_there(file: &std::path::Path) {
    let there = async {
        while !file.exists() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(Duration::from_secs(20), there).await.unwrap();
}

/// Until nothing of the program's is left, so that what it would have done it has done or never does.
async fn wait_until_gone(command: &str) {
    let is_left = || {
        let processes = std::fs::read_dir("/proc").unwrap().filter_map(Result::ok);
        let lines = processes.filter_map(|process| std::fs::read(process.path().join("cmdline")).ok());
        let lines = lines.map(|line| String::from_utf8_lossy(&line).into_owned());
        lines.into_iter().any(|line| line.contains(command))
    };
    let gone = async {
        while is_left() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(Duration::from_secs(20), gone).await.unwrap();
}

#[tokio::test]
async fn what_a_program_has_started_shows_nothing_once_the_program_was_ended() {
    let folder = tempfile::tempdir().unwrap();
    let (command, begun, shown) = slow(folder.path());
    let mut external = screen(&command);
    let stimulus = patch("grey");
    // As Ctrl-C does: it is not waited for any more.
    tokio::select! {
        _ = external.show(&stimulus, CODING) => panic!("it was not waited for"),
        () = wait_until_there(&begun) => {}
    }
    wait_until_gone(&begun.display().to_string()).await;
    assert!(!shown.exists(), "it went on without its shell");
}

#[tokio::test]
async fn what_a_program_leaves_running_at_its_end_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shown");
    let command = format!("sh -c '(sleep 0.1; echo >\"$0\") & exit 0' {}", file.display());
    screen(&command).show(&patch("grey"), CODING).await.unwrap();
    wait_until_there(&file).await;
}

#[test]
fn a_name_is_run_by_no_shell() {
    for (text, place) in [
        ("sh -c 'show {name}'", "name"),
        ("/bin/bash -ec 'show \"{set}\"' x", "set"),
        ("env A=b dash -u -c 'show {r} {sequence}'", "sequence"),
    ] {
        assert_eq!(text.parse::<Template>().unwrap_err(), BadTemplate::Code(place), "{text}");
    }
    for text in
        ["sh -c 'show {r} \"$1\"' sh {name}", "show -c {name}", "sh show.sh {name}", "sh -c 'show {step}'"]
    {
        text.parse::<Template>().unwrap();
    }
    let words = "sh -c 'show {name}'".parse::<Template>().unwrap_err().to_string();
    assert!(words.contains("\"$1\"") && words.contains("{name}"), "{words}");
}

#[test]
fn a_name_that_would_be_taken_for_an_option_is_refused_where_it_is_a_word_by_itself() {
    let of = |text: &str, name: &str| text.parse::<Template>().unwrap().mistake(name, &spot());
    let told = of("show {r} {name}", "--output=/media/x").unwrap();
    assert!(told.contains("--output") && told.contains("{name}"), "{told}");
    assert_eq!(of("show name={name} {r}", "--output=/media/x"), None);
    assert_eq!(of("show {name}", "grey 5 %"), None);
    let dashed = Spot { set: "-x".to_owned(), ..spot() };
    assert!("show {set}".parse::<Template>().unwrap().mistake("grey", &dashed).is_some());
}
