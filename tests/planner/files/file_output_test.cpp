// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/file_output.h"

#include <catch2/catch.hpp>

#include "tests/support/temporary_folder.h"

using withy::FileBatch;
using withy_test::read_text;
using withy_test::TemporaryFolder;
using withy_test::write_text;

TEST_CASE("A file is written with its missing folders, and nothing else is left beside it") {
  const TemporaryFolder folder;
  REQUIRE(withy::write_whole(folder.path() / "out" / "deep" / "plan.json", "{}\n"));
  CHECK(read_text(folder.path() / "out" / "deep" / "plan.json") == "{}\n");
  CHECK(folder.listing() == std::set<std::string>{"out", "out/deep", "out/deep/plan.json"});
}

TEST_CASE("Bytes go to the file as they are, line ends and zeros included") {
  const TemporaryFolder folder;
  const std::string bytes("a\r\nb\0c", 6);
  REQUIRE(withy::write_whole(folder.path() / "x.csv", bytes));
  CHECK(read_text(folder.path() / "x.csv") == bytes);
}

TEST_CASE("When one file of a batch can't be written, none is, and old ones stay as they were") {
  const TemporaryFolder folder;
  write_text(folder.path() / "plan.json", "old");
  std::filesystem::create_directory(folder.path() /
                                    "script.csv");  // a folder stands in the second file's place
  FileBatch batch;
  batch.add(folder.path() / "plan.json", "new");
  batch.add(folder.path() / "script.csv", "new");
  const auto written = batch.commit();
  REQUIRE_FALSE(written);
  CHECK(written.error().file == (folder.path() / "script.csv").string());
  CHECK(read_text(folder.path() / "plan.json") == "old");
}

TEST_CASE("A batch that failed leaves no temporary file behind") {
  const TemporaryFolder folder;
  std::filesystem::create_directory(folder.path() / "b");
  {
    FileBatch batch;
    batch.add(folder.path() / "a", "new");
    batch.add(folder.path() / "b", "new");
    REQUIRE_FALSE(batch.commit());
  }
  CHECK(folder.listing() == std::set<std::string>{"b"});
}

TEST_CASE("A batch that is never committed writes nothing") {
  const TemporaryFolder folder;
  {
    FileBatch batch;
    batch.add(folder.path() / "plan.json", "new");
  }
  CHECK(folder.listing().empty());
}

TEST_CASE("A place that can't hold a file is named in the error") {
  const TemporaryFolder folder;
  write_text(folder.path() / "flat", "a file, not a folder");
  const auto written = withy::write_whole(folder.path() / "flat" / "plan.json", "{}");
  REQUIRE_FALSE(written);
  CHECK(written.error().message().find("flat/plan.json:1:1: ") != std::string::npos);
}

TEST_CASE("A folder is no place for an answer where one of its files is an input, however it is named") {
  const withy_test::TemporaryFolder folder;
  const auto file = folder.path() / "reach.csv";
  withy_test::write_text(file, "x_mm,y_mm,z_mm\n");
  std::filesystem::create_symlink("reach.csv", folder.path() / "link.csv");
  const std::set<std::string> names = {"reach.csv", "reach.json"};
  CHECK_FALSE(withy::check_output_folder(folder.path(), names, {file}).has_value());
  CHECK_FALSE(
      withy::check_output_folder(folder.path() / ".", names, {folder.path() / "link.csv"}).has_value());
  CHECK(withy::check_output_folder(folder.path(), names, {folder.path() / "targets.csv"}).has_value());
  CHECK(withy::check_output_folder(folder.path() / "out", names, {file}).has_value());
  // A folder of the user's stands where one of its files would.
  std::filesystem::create_directories(folder.path() / "dd/plan.json/mine");
  CHECK_FALSE(withy::check_output_folder(folder.path() / "dd", {"plan.json"}, {}).has_value());
  {
    withy::FileBatch batch;
    batch.owns(folder.path() / "dd", {"plan.json", "page.html"});
    batch.add(folder.path() / "dd/page.html", "new");
    CHECK_FALSE(batch.commit().has_value());
  }
  CHECK(std::filesystem::is_directory(folder.path() / "dd/plan.json/mine"));
  CHECK_FALSE(std::filesystem::exists(folder.path() / "dd/page.html"));
  for (const auto& entry : std::filesystem::directory_iterator(folder.path()))
    CHECK(entry.path().filename().string().find(".withy-") == std::string::npos);
  // A file that is still to be made is one place under all its names.
  CHECK_FALSE(
      withy::check_output_file(folder.path() / "new/a", {folder.path() / "new/../new/a"}).has_value());
}

TEST_CASE("The root of all folders is no place for an answer, by whatever name, and it is said at once") {
  const withy_test::TemporaryFolder folder;
  std::filesystem::create_directory_symlink("/", folder.path() / "root");
  for (const std::filesystem::path& root : {std::filesystem::path("/"), std::filesystem::path("//"),
                                            std::filesystem::path("/."), folder.path() / "root"}) {
    CAPTURE(root);
    const auto place = withy::check_output_folder(root, {"plan.json"}, {});
    REQUIRE_FALSE(place.has_value());
    CHECK(place.error().message().find("root of all folders") != std::string::npos);
  }
}

TEST_CASE("Asking whether a place can be written to leaves nothing there") {
  const withy_test::TemporaryFolder folder;
  CHECK(withy::check_output_folder(folder.path(), {"plan.json"}, {}).has_value());
  CHECK(withy::check_output_file(folder.path() / "a.csv", {}).has_value());
  CHECK(std::filesystem::is_empty(folder.path()));
}
