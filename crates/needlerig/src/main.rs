//! Needlerig: characterises analog panel-meter movements without over-driving a needle.

fn main() -> std::process::ExitCode {
    needlerig::cli::main()
}
